/* Reads frames by tables made from a spec: octets in, a message or one named reason out, whole or not at all.
 *
 * Plain ES2020: no dependency, no eval, no network, no page. Codes are BigInt and quantities exact decimal text, so that
 * nothing is ever rounded. The questions and their order are those of every other decoder of the same spec.
 *
 *   const answer = ullageDecoder.decode(tables, ullageDecoder.octetsOf("21 01 11 00 09 03 d8 79 33 d7"));
 *   answer.reason === "fine" ? answer.values.distance : answer.text
 */
(function (root) {
  "use strict";

  const MOST_OCTETS = 255;
  const LAST_SECOND = 253402300799n; /* 9999-12-31T23:59:59Z */

  /* ---- the front ---- */

  /* tables: as made from the spec. octets: Uint8Array or array of 0..255. at: the receiving station, or nothing.
   * Gives { status: 0, reason: "fine", frame, values, cells, end }, cells being the slots, lists and groups at their
   * places (path: pairs[0].x), or { status, reason, text, frame, field, slot, bit, bits, raw, expected }, null where there is none; slot is
   * the id that the tables give it. */
  function decode(tables, octets, at) {
    try {
      return read(tables, Array.from(octets), at);
    } catch (found) {
      if (found instanceof Refusal) {
        return found.answer(tables);
      }
      throw found;
    }
  }

  /* The octets that a text of hex digits means: 210111, 21 01 11, 21:1:11, {0x21, 0x01}, \x21\x01.
   * Throws an Error with the word that is no hex. */
  function octetsOf(text) {
    const found = [];
    for (const word of text.split(/(?:[\s,;:{}[\]()"'-]|\\x)+/)) {
      if (word === "") {
        continue;
      }
      const digits = /^(?:0[xX])?([0-9a-fA-F]+)[uU]?$/.exec(word);
      const shown = `'${word.slice(0, 40)}'`;
      if (digits === null) {
        throw new Error(`${shown} is no hex`);
      }
      if (digits[1].length > 1 && digits[1].length % 2 === 1) {
        throw new Error(`${shown} has an odd number of hex digits: one is missing or too many`);
      }
      const even = digits[1].padStart(2, "0");
      for (let place = 0; place < even.length; place += 2) {
        found.push(parseInt(even.slice(place, place + 2), 16));
      }
    }
    return Uint8Array.from(found);
  }

  class Refusal {
    constructor(reason, text, more) {
      this.reason = reason;
      this.text = text;
      this.more = more;
    }

    answer(tables) {
      const none = { frame: null, field: null, slot: null, bit: null, bits: null, raw: null, expected: null };
      return { status: tables.reasons[this.reason].number, reason: this.reason, text: this.text, ...none, ...this.more };
    }
  }

  /* ---- the questions, in their order ---- */

  function read(tables, octets, at) {
    const count = octets.length;
    const to = at === undefined || at === null ? null : stationOf(tables, at);
    if (count < tables.least) {
      const { text, expected } = tables.tooShort;
      throw new Refusal("too_short", counted(count) + text, { raw: String(count), expected });
    }
    if (count > MOST_OCTETS) {
      const text = `${count} octets; 255 is the most`;
      throw new Refusal("too_long", text, { raw: String(count), expected: "at most 255 octets" });
    }
    const check = tables.integrity === null ? 0 : tables.integrity.octets;
    const body = octets.slice(0, count - check);
    if (tables.integrity !== null) {
      checkIntegrity(tables.integrity, octets, body);
    }
    const bits = 8 * body.length;
    const word = wordOf(body);
    const frame = choose(tables, word, bits);
    if (count < frame.least || count > frame.most) {
      const lengths = frame.most > frame.least ? `${frame.least}..${frame.most}` : `${frame.least}`;
      const text = `${counted(count)}; ${frame.name} has ${lengths}`;
      throw new Refusal("wrong_length", text, { frame: frame.name, raw: String(count), expected: `${lengths} octets` });
    }
    if (frame.lengthSlot !== null) {
      checkLength(frame, frame.lengthSlot, word, bits, count);
    }
    if (to !== null) {
      checkAddress(frame, tables.destinationSlot, word, bits, to);
    }
    return message(frame, word, bits);
  }

  function checkIntegrity(integrity, octets, body) {
    const covered = body.slice(integrity.first);
    const fits = integrity.sum === undefined ? crcOf(integrity.crc, covered) : sumOf(integrity.sum, covered);
    const tail = octets.slice(body.length);
    const sent = wordOf(integrity.highFirst ? tail : tail.reverse());
    if (sent !== fits) {
      const digits = (number) => number.toString(16).padStart(2 * integrity.octets, "0");
      const text = `the ${integrity.noun} is ${digits(sent)}, these ${counted(covered.length)} give ${digits(fits)}`;
      const place = { bit: 8 * body.length, bits: 8 * integrity.octets };
      throw new Refusal("integrity", text, { ...place, raw: String(sent), expected: digits(fits) });
    }
  }

  function choose(tables, word, bits) {
    const revision = tables.revisionSlot;
    if (revision !== null) {
      const raw = codeAt(revision, word, bits);
      if (raw !== BigInt(tables.revision)) {
        const text = `a sound frame of revision ${raw}; this spec is revision ${tables.revision}`;
        throw new Refusal("other_revision", text, placed(revision, raw, String(tables.revision)));
      }
    }
    const slot = tables.messageSlot;
    if (slot === null) {
      return tables.frames[0];
    }
    const raw = codeAt(slot, word, bits);
    const frame = tables.frames.find((one) => BigInt(one.message) === raw);
    if (frame === undefined) {
      const known = tables.frames.map((one) => one.message).join(", ");
      const text = `message code ${raw} is none of this spec's: ${known}`;
      throw new Refusal("unknown_message", text, placed(slot, raw, `one of ${known}`));
    }
    return frame;
  }

  function checkLength(frame, slot, word, bits, count) {
    const raw = codeAt(slot, word, bits);
    const there = slot.covers === "rest" ? count - (slot.offset + slot.bits) / 8 : count;
    if (raw !== BigInt(there)) {
      const text = `${slot.name} says ${raw} octets, and there are ${there}`;
      throw new Refusal("wrong_length", text, { frame: frame.name, ...placed(slot, raw, String(there)) });
    }
  }

  function stationOf(tables, at) {
    const slot = tables.destinationSlot;
    if (slot === null) {
      throw new RangeError(`${tables.protocol} has no destination, so frames are for everybody`);
    }
    if (!Number.isInteger(at) || at < 0 || BigInt(at) >= 1n << BigInt(slot.bits)) {
      throw new RangeError(`${at} is no station; 0..${(1n << BigInt(slot.bits)) - 1n} are`);
    }
    return BigInt(at);
  }

  function checkAddress(frame, slot, word, bits, to) {
    const raw = codeAt(slot, word, bits);
    if (raw !== to && !(slot.broadcast !== undefined && raw === BigInt(slot.broadcast))) {
      const text = `for station ${raw}, received at ${to}`;
      throw new Refusal("not_addressed", text, { frame: frame.name, ...placed(slot, raw, String(to)) });
    }
  }

  function message(frame, word, bits) {
    const row = walk(frame, word, bits);
    row.placed.forEach((cell) => readCell(frame, cell, word, bits));
    const fill = word & ((1n << BigInt(bits - row.end)) - 1n);
    if (fill !== 0n) {
      const text = `fill bits: ${fill} is there; 0 must be there`;
      const place = { bit: row.end, bits: bits - row.end };
      throw new Refusal("spare_not_zero", text, { frame: frame.name, ...place, raw: String(fill), expected: "0 must be there" });
    }
    const found = { status: 0, reason: "fine", frame: frame.name, values: valuesOf(row.cells) };
    return { ...found, cells: row.cells, end: row.end };
  }

  /* ---- the first walk: flags and counts alone give every slot its place ---- */

  function walk(frame, word, bits) {
    const placed = [];
    const scope = (entries, start, path) => {
      const cells = [];
      const here = new Map();
      let bit = start;
      for (const entry of entries) {
        if (entry.is === "slot") {
          const cell = { slot: entry, path: path + entry.name, offset: bit, bits: entry.bits, low: entry.low };
          bit += entry.bits;
          if (bit > bits) {
            throw wrongLength(frame, bits, `at least ${Math.ceil(bit / 8)}`);
          }
          here.set(entry.name, cell);
          placed.push(cell);
          cells.push(cell);
        } else if (entry.is === "list") {
          const items = [];
          for (let left = itemsOf(frame, entry, here.get(entry.countedBy), word, bits); left > 0; left--) {
            const item = scope(entry.entries, bit, `${path}${entry.name}[${items.length}].`);
            bit = item.end;
            items.push(item);
          }
          cells.push({ list: entry, offset: bit, items });
        } else {
          const inside = codeAt(here.get(entry.when), word, bits) === 1n ? scope(entry.entries, bit, `${path}${entry.name}.`) : null;
          bit = inside === null ? bit : inside.end;
          cells.push({ group: entry, inside });
        }
      }
      return { cells, start, end: bit };
    };
    const row = scope(frame.entries, 0, "");
    if (bits - row.end >= 8) {
      throw wrongLength(frame, bits, `${Math.ceil(row.end / 8)}`);
    }
    return { ...row, placed };
  }

  function itemsOf(frame, entry, cell, word, bits) {
    const raw = codeAt(cell, word, bits);
    const size = BigInt(entry.itemOctets === null ? 1 : entry.itemOctets);
    const items = raw / size;
    if (raw % size !== 0n || items < BigInt(entry.least) || items > BigInt(entry.most)) {
      const sized = entry.itemOctets === null ? "" : ` octets of ${entry.itemOctets} each`;
      const expected = `${entry.least}..${entry.most} items${sized}`;
      const text = `${cell.path}: ${raw} is no count of ${entry.name}; ${expected}`;
      const place = placed({ name: cell.slot.name, ...cell }, raw, expected);
      throw new Refusal("wrong_count", text, { frame: frame.name, ...place });
    }
    return Number(items);
  }

  function wrongLength(frame, bits, needed) {
    const count = bits / 8 + frame.check;
    const text = `${count} octets; by its flags and counts this ${frame.name} has ${needed} before the check, not ${bits / 8}`;
    const expected = `${needed} octets before the check`;
    return new Refusal("wrong_length", text, { frame: frame.name, raw: String(count), expected });
  }

  /* ---- one slot: its code, its value, and how people read it ---- */

  function readCell(frame, cell, word, bits) {
    const slot = cell.slot;
    const raw = codeAt(cell, word, bits);
    const found = (READERS[slot.as] || plainly)(slot, raw);
    if (found === null) {
      const reason = slot.as === "fixed" ? slot.reason : "not_a_value";
      const text = `${cell.path || "fill bits"}: ${describe(slot, raw)}; ${slot.expected}`;
      const place = placed({ name: slot.name || null, ...cell }, raw, slot.expected);
      throw new Refusal(reason, text, { frame: frame.name, ...place });
    }
    cell.raw = String(raw);
    cell.value = found.value;
    cell.reading = found.reading;
  }

  /* Each gives { value, reading }, or null for a code that stands for nothing. */
  const READERS = {
    scaled: readScaled,
    flag: (slot, raw) => ({ value: raw === 1n, reading: raw === 1n ? "yes" : "no" }),
    choice: (slot, raw) => {
      const name = slot.codes[String(raw)];
      return name === undefined ? null : { value: name, reading: name };
    },
    text: (slot, raw) => {
      const octets = octetsIn(raw, slot.bits / 8);
      while (octets.length > 0 && octets[octets.length - 1] === 0) {
        octets.pop();
      }
      const text = String.fromCharCode(...octets);
      return /^[\x20-\x7e]*$/.test(text) ? { value: text, reading: `"${text}"` } : null;
    },
    octets: (slot, raw) => {
      const hex = octetsIn(raw, slot.bits / 8).map(hexOf).join(" ");
      return { value: hex, reading: hex };
    },
    fixed: (slot, raw) => (raw === BigInt(slot.value) ? { value: slot.value, reading: slot.value } : null),
    binary32: readBinary32,
  };

  function plainly(slot, raw) {
    return { value: String(raw), reading: String(raw) };
  }

  function readScaled(slot, raw) {
    const name = slot.special[String(raw)];
    if (name !== undefined) {
      return { value: { special: name }, reading: name.replace(/_/g, " ") };
    }
    const number = slot.signed ? BigInt.asIntN(slot.bits, raw) : raw;
    const steps = number + BigInt(slot.first);
    if (steps < BigInt(slot.lowest) || steps > BigInt(slot.highest)) {
      return null;
    }
    const scaled = steps * BigInt(slot.step);
    const fixed = decimal(scaled, slot.decimals);
    const exact = slot.decimals > 0 ? fixed.replace(/\.?0+$/, "") : fixed;
    return { value: { quantity: exact }, reading: scaledReading(slot, steps, scaled, fixed) };
  }

  function scaledReading(slot, steps, scaled, fixed) {
    if (slot.epoch !== null) {
      const size = 10n ** BigInt(slot.decimals);
      const after = slot.decimals > 0 ? fixed.slice(fixed.indexOf(".")) : "";
      return slot.epoch === "unix" ? utc(scaled / size, after) : duration(scaled / size, after);
    }
    if (slot.broadcast !== null && steps === BigInt(slot.broadcast)) {
      return "everybody";
    }
    return slot.unit === "" ? fixed : `${fixed} ${slot.unit}`;
  }

  /* A whole number of the last decimal as a number with so many decimals. */
  function decimal(scaled, decimals) {
    const digits = String(scaled < 0n ? -scaled : scaled).padStart(decimals + 1, "0");
    const sign = scaled < 0n ? "-" : "";
    const cut = digits.length - decimals;
    return decimals > 0 ? `${sign}${digits.slice(0, cut)}.${digits.slice(cut)}` : sign + digits;
  }

  function utc(seconds, after) {
    if (seconds > LAST_SECOND) {
      return `${seconds}${after} s since 1970`;
    }
    return `${new Date(1000 * Number(seconds)).toISOString().slice(0, 19)}${after}Z`;
  }

  function duration(seconds, after) {
    const two = (number) => String(number).padStart(2, "0");
    const left = Number(seconds % 86400n);
    const time = [Math.floor(left / 3600), Math.floor(left / 60) % 60, left % 60].map(two).join(":");
    return `${seconds / 86400n} d ${time}${after}`;
  }

  function readBinary32(slot, raw) {
    if (((raw >> 23n) & 0xffn) === 0xffn) {
      return null;
    }
    const view = new DataView(new ArrayBuffer(4));
    view.setUint32(0, Number(raw));
    const value = view.getFloat32(0);
    const text = shortest(value, raw);
    return { value: Object.is(value, -0) ? 0 : value, reading: slot.unit === "" ? text : `${text} ${slot.unit}` };
  }

  /* The fewest digits that lead back to the same single-precision number; ties to the even digit. */
  function shortest(value, raw) {
    if (value === 0) {
      return Object.is(value, -0) ? "-0" : "0";
    }
    const exponent = Math.max(Number((raw >> 23n) & 0xffn), 1) - 150;
    const fraction = (raw & 0x7fffffn) | ((raw >> 23n) & 0xffn ? 0x800000n : 0n);
    const above = exponent > 0 ? fraction << BigInt(exponent) : fraction;
    const below = exponent < 0 ? 1n << BigInt(-exponent) : 1n;
    let place = Math.floor(Math.log10(Math.abs(value)));
    place += above < power(below, place) ? -1 : above >= power(below, place + 1) ? 1 : 0;
    for (let digits = 1; ; digits++) {
      const text = rounded(above, below, place, digits);
      if (Math.fround(Number(text)) === Math.abs(value) || digits === 17) {
        return (value < 0 ? "-" : "") + text;
      }
    }
  }

  /* below x 10^place, rounded down where place is negative: only ever compared with whole numbers. */
  function power(below, place) {
    return place < 0 ? (below + 10n ** BigInt(-place) - 1n) / 10n ** BigInt(-place) : below * 10n ** BigInt(place);
  }

  /* above/below, 10^place or more, in so many digits: as 12300, 0.00123, 1.23e+20 or 1.23e-07, no zeros at the end. */
  function rounded(above, below, place, digits) {
    const shift = digits - 1 - place;
    const up = shift > 0 ? above * 10n ** BigInt(shift) : above;
    const down = shift < 0 ? below * 10n ** BigInt(-shift) : below;
    let whole = up / down;
    const twice = 2n * (up % down);
    whole += twice > down || (twice === down && whole % 2n === 1n) ? 1n : 0n;
    let text = String(whole);
    const exponent = place + text.length - digits;
    text = text.slice(0, digits).replace(/0+$/, "");
    if (exponent < -4 || exponent >= digits) {
      const size = String(Math.abs(exponent)).padStart(2, "0");
      return `${text[0]}${text.length > 1 ? "." : ""}${text.slice(1)}e${exponent < 0 ? "-" : "+"}${size}`;
    }
    if (exponent < 0) {
      return `0.${"0".repeat(-exponent - 1)}${text}`;
    }
    const left = text.slice(0, exponent + 1).padEnd(exponent + 1, "0");
    return text.length > exponent + 1 ? `${left}.${text.slice(exponent + 1)}` : left;
  }

  function describe(slot, raw) {
    if (slot.as === "text") {
      const hex = octetsIn(raw, slot.bits / 8).map(hexOf).join(" ");
      return `${hex} is not printable text with zeros after it`;
    }
    return slot.as === "fixed" ? `${raw} is there` : `code ${raw} stands for nothing`;
  }

  /* Name -> value: an absent group is null, constants and lengths are left out. */
  function valuesOf(cells) {
    const found = {};
    for (const cell of cells) {
      if (cell.list !== undefined) {
        found[cell.list.name] = cell.items.map((item) => valuesOf(item.cells));
      } else if (cell.group !== undefined) {
        found[cell.group.name] = cell.inside === null ? null : valuesOf(cell.inside.cells);
      } else if (cell.slot.as !== "fixed" && cell.slot.as !== "length") {
        found[cell.slot.name] = cell.value;
      }
    }
    return found;
  }

  /* ---- bits, octets, checks ---- */

  function codeAt(place, word, bits) {
    const raw = (word >> BigInt(bits - place.offset - place.bits)) & ((1n << BigInt(place.bits)) - 1n);
    return place.low ? wordOf(octetsIn(raw, place.bits / 8).reverse()) : raw;
  }

  function placed(place, raw, expected) {
    return { field: place.name, slot: place.slot === undefined ? null : place.slot.id, bit: place.offset, bits: place.bits, raw: String(raw), expected };
  }

  function wordOf(octets) {
    return octets.length === 0 ? 0n : BigInt(`0x${Array.from(octets, hexOf).join("")}`);
  }

  function octetsIn(number, count) {
    const hex = number.toString(16).padStart(2 * count, "0");
    return Array.from({ length: count }, (_, place) => parseInt(hex.slice(2 * place, 2 * place + 2), 16));
  }

  function hexOf(octet) {
    return octet.toString(16).padStart(2, "0");
  }

  function counted(count) {
    return count === 1 ? "1 octet" : `${count} octets`;
  }

  function sumOf(parameters, octets) {
    const mask = (1n << BigInt(parameters.bits)) - 1n;
    const sum = octets.reduce((total, octet) => total + BigInt(octet), BigInt(parameters.start)) & mask;
    return parameters.invert ? sum ^ mask : sum;
  }

  /* The model's own bit by bit form: any width of 3..64, refin and refout each on its own. */
  function crcOf(parameters, octets) {
    const top = BigInt(parameters.width - 1);
    const mask = (1n << BigInt(parameters.width)) - 1n;
    const poly = BigInt(parameters.poly);
    let register = BigInt(parameters.init);
    for (const octet of octets) {
      for (let step = 0; step < 8; step++) {
        const bit = BigInt((octet >> (parameters.refin ? step : 7 - step)) & 1);
        const leaves = (register >> top) ^ bit;
        register = ((register << 1n) & mask) ^ (leaves === 1n ? poly : 0n);
      }
    }
    if (parameters.refout) {
      const digits = register.toString(2).padStart(parameters.width, "0");
      register = BigInt(`0b${Array.from(digits).reverse().join("")}`);
    }
    return register ^ BigInt(parameters.xorout);
  }

  const api = { decode, octetsOf, crcOf, sumOf };
  if (typeof module !== "undefined" && module.exports) {
    module.exports = api;
  } else {
    root.ullageDecoder = api;
  }
})(typeof globalThis === "undefined" ? this : globalThis);
