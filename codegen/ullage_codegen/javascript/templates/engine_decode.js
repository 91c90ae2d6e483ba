/* == Decoding ==
 * The questions and their order are those of every other decoder of the same spec. */

/* Reads one frame, whole or not at all. octets: Uint8Array or any other array of 0..255. at: the receiving station, or
 * nothing; frames for another one are then refused.
 *
 * Gives { status: 0, reason: "fine", frame, values, cells, end }, or of a frame that is none { status, reason, text, frame,
 * field, slot, bit, bits, raw, expected }, null where there is none; raw is decimal text. In values, quantities are
 * Numbers (decimal text in fields that reach beyond 2^53), special codes { special: "no_echo" }, choices names, octets
 * hex text, lists arrays, absent groups null. cells are the slots, lists and groups at their places, each slot with
 * path ("pairs[0].x"), offset, raw, value, and reading as people read it.
 *
 * No octets make it throw. What is no octets is a TypeError, what is no station a RangeError: the caller's faults. */
function decode(octets, at) {
  const to = at === undefined || at === null ? null : stationOf(at);
  const all = plainOctets(octets);
  if (all === null) {
    throw new TypeError("no octets: give a Uint8Array, or an array of whole numbers 0..255");
  }
  try {
    return read(all, to);
  } catch (found) {
    if (found instanceof Refusal) {
      return found.answer();
    }
    throw found;
  }
}

class Refusal {
  constructor(reason, text, frame, place, raw, expected) {
    this.reason = reason;
    this.text = text;
    this.frame = frame;
    this.place = place;
    this.raw = raw;
    this.expected = expected;
  }

  answer() {
    const { reason, text, frame, raw, expected } = this;
    const place = { field: null, slot: null, bit: null, bits: null };
    if (this.place !== null) {
      const { name, id, offset, bits } = this.place;
      Object.assign(place, { field: name || null, slot: id === undefined ? null : id, bit: offset, bits });
    }
    return Object.assign({ status: STATUS[reason], reason, text, frame }, place, { raw, expected });
  }
}

function read(octets, to) {
  const count = octets.length;
  const { integrity, tooShort } = PROTOCOL;
  if (count < PROTOCOL.least) {
    throw new Refusal("too_short", counted(count) + tooShort.text, null, null, String(count), tooShort.expected);
  }
  if (count > MOST_OCTETS) {
    const text = `${count} octets; ${MOST_OCTETS} is the most`;
    throw new Refusal("too_long", text, null, null, String(count), `at most ${MOST_OCTETS} octets`);
  }
  const body = octets.slice(0, count - (integrity === null ? 0 : integrity.octets));
  if (integrity !== null) {
    checkIntegrity(integrity, octets.slice(body.length), body);
  }
  const bits = bitsOf(body);
  const frame = choose(bits);
  if (count < frame.least || count > frame.most) {
    const lengths = frame.most > frame.least ? `${frame.least}..${frame.most}` : `${frame.least}`;
    const text = `${counted(count)}; ${frame.name} has ${lengths}`;
    throw new Refusal("wrong_length", text, frame.name, null, String(count), `${lengths} octets`);
  }
  if (frame.lengthSlot !== null) {
    checkLength(frame, frame.lengthSlot, bits, count);
  }
  if (to !== null) {
    checkAddress(frame, PROTOCOL.destinationSlot, bits, to);
  }
  if (frame.sealed) { /* this module holds no keys */
    throw new Refusal("no_key", `${frame.name} is sealed, and no key is given`, frame.name, null, null, null);
  }
  return message(frame, bits);
}

function checkIntegrity(integrity, tail, body) {
  const sent = integrity.highFirst ? tail : tail.slice().reverse();
  const fits = hexOf(checkOf(integrity, body));
  if (hexOf(sent) !== fits) {
    const over = counted(body.length - integrity.first);
    const text = `the ${integrity.noun} is ${hexOf(sent)}, these ${over} give ${fits}`;
    const place = { name: null, offset: 8 * body.length, bits: 8 * integrity.octets };
    throw new Refusal("integrity", text, null, place, codeText(bitsOf(sent)), fits);
  }
}

function choose(bits) {
  const { revisionSlot, messageSlot } = PROTOCOL;
  if (revisionSlot !== null) {
    const raw = codeText(bitsAt(bits, revisionSlot.offset, revisionSlot));
    if (raw !== String(REVISION)) {
      const text = `a sound frame of revision ${raw}; this spec is revision ${REVISION}`;
      throw new Refusal("other_revision", text, null, revisionSlot, raw, String(REVISION));
    }
  }
  if (messageSlot === null) {
    return FRAMES[0];
  }
  const raw = codeText(bitsAt(bits, messageSlot.offset, messageSlot));
  const frame = FRAMES.find((one) => String(one.message) === raw);
  if (frame === undefined) {
    const known = FRAMES.map((one) => one.message).join(", ");
    const text = `message code ${raw} is none of this spec's: ${known}`;
    throw new Refusal("unknown_message", text, null, messageSlot, raw, `one of ${known}`);
  }
  return frame;
}

function checkLength(frame, slot, bits, count) {
  const raw = codeText(bitsAt(bits, slot.offset, slot));
  const there = lengthOf(slot, count);
  if (raw !== String(there)) {
    const text = `${slot.name} says ${raw} octets, and there are ${there}`;
    throw new Refusal("wrong_length", text, frame.name, slot, raw, String(there));
  }
}

/* What a length field says in a frame of so many octets. */
function lengthOf(slot, count) {
  return slot.covers === "rest" ? count - (slot.offset + slot.bits) / 8 : count;
}

/* A station as decimal text: a Number, or for those beyond 2^53 a BigInt or decimal text. */
function stationOf(at) {
  const slot = PROTOCOL.destinationSlot;
  if (slot === null) {
    throw new RangeError(`${NAME} has no destination, so frames are for everybody`);
  }
  const most = twoTo(slot.bits);
  const plain = typeof at === "string" || typeof at === "bigint" || Number.isSafeInteger(at);
  const text = plain ? String(at) : "";
  if (!/^(?:0|[1-9][0-9]{0,19})$/.test(text) || order(natural(text), most) >= 0) {
    throw new RangeError(`${String(at)} is no station; 0..${digitsOf(minus(most, [1]))} are`);
  }
  return text;
}

function checkAddress(frame, slot, bits, to) {
  const raw = codeText(bitsAt(bits, slot.offset, slot));
  if (raw !== to && raw !== slot.broadcast) {
    throw new Refusal("not_addressed", `for station ${raw}, received at ${to}`, frame.name, slot, raw, to);
  }
}

function message(frame, bits) {
  const row = walk(frame, bits);
  row.placed.forEach((cell) => readCell(frame, cell, bits));
  const fill = codeText(bits.slice(row.end));
  if (fill !== "0") {
    const expected = "0 must be there";
    const place = { name: null, offset: row.end, bits: bits.length - row.end };
    const text = `fill bits: ${fill} is there; ${expected}`;
    throw new Refusal("spare_not_zero", text, frame.name, place, fill, expected);
  }
  const values = valuesOf(row.cells);
  return { status: 0, reason: "fine", frame: frame.name, values, cells: row.cells, end: row.end };
}

/* Name -> value: an absent group is null, constants and lengths are left out. */
function valuesOf(cells) {
  const found = {};
  for (const cell of cells) {
    if (cell.list !== undefined) {
      found[cell.list.name] = cell.items.map((item) => valuesOf(item.cells));
    } else if (cell.group !== undefined) {
      found[cell.group.name] = cell.inside === null ? null : valuesOf(cell.inside.cells);
    } else if (isGiven(cell.slot)) {
      found[cell.slot.name] = cell.value;
    }
  }
  return found;
}

/* Whether a slot has a value that callers give and get. */
function isGiven(slot) {
  return slot.as !== "fixed" && slot.as !== "length";
}

/* == The first walk: flags and counts alone give every slot its place == */

function walk(frame, bits) {
  const placed = [];
  const scope = (entries, start, path) => {
    const cells = [];
    const here = new Map();
    let bit = start;
    for (const entry of entries) {
      if (entry.entries === undefined) {
        const cell = { slot: entry, path: path + entry.name, offset: bit };
        bit += entry.bits;
        if (bit > bits.length) {
          throw wrongLength(frame, bits, `at least ${Math.ceil(bit / 8)}`);
        }
        here.set(entry.name, cell);
        placed.push(cell);
        cells.push(cell);
      } else if (entry.is === "list") {
        const items = [];
        for (let left = itemsOf(frame, entry, here.get(entry.countedBy), bits); left > 0; left--) {
          const item = scope(entry.entries, bit, `${path}${entry.name}[${items.length}].`);
          bit = item.end;
          items.push(item);
        }
        cells.push({ list: entry, items });
      } else {
        const there = bits[here.get(entry.when).offset] === "1";
        const inside = there ? scope(entry.entries, bit, `${path}${entry.name}.`) : null;
        bit = there ? inside.end : bit;
        cells.push({ group: entry, inside });
      }
    }
    return { cells, start, end: bit };
  };
  const row = scope(frame.entries, 0, "");
  if (bits.length - row.end >= 8) {
    throw wrongLength(frame, bits, `${Math.ceil(row.end / 8)}`);
  }
  return Object.assign(row, { placed });
}

function itemsOf(frame, entry, cell, bits) {
  const raw = codeText(bitsAt(bits, cell.offset, cell.slot));
  const items = Number(raw) / (entry.itemOctets || 1);
  if (!Number.isInteger(items) || items < entry.least || items > entry.most) {
    const sized = entry.itemOctets === undefined ? "" : ` octets of ${entry.itemOctets} each`;
    const expected = `${entry.least}..${entry.most} items${sized}`;
    const text = `${cell.path}: ${raw} is no count of ${entry.name}; ${expected}`;
    throw new Refusal("wrong_count", text, frame.name, placeOf(cell), raw, expected);
  }
  return items;
}

function placeOf(cell) {
  return { name: cell.slot.name, id: cell.slot.id, offset: cell.offset, bits: cell.slot.bits };
}

function wrongLength(frame, bits, needed) {
  const there = bits.length / 8;
  const count = there + (PROTOCOL.integrity === null ? 0 : PROTOCOL.integrity.octets);
  const expected = `${needed} octets before the check`;
  const text = `${count} octets; by its flags and counts this ${frame.name} has ${needed} before the check, not ${there}`;
  return new Refusal("wrong_length", text, frame.name, null, String(count), expected);
}

/* == One slot: its code, its value, and how people read it == */

function readCell(frame, cell, bits) {
  const slot = cell.slot;
  const code = bitsAt(bits, cell.offset, slot);
  const raw = codeText(code);
  const found = READERS[slot.as](slot, code, raw);
  if (found === null) {
    const text = `${cell.path || "fill bits"}: ${describe(slot, code, raw)}; ${slot.expected}`;
    throw new Refusal(slot.reason || "not_a_value", text, frame.name, placeOf(cell), raw, slot.expected);
  }
  Object.assign(cell, found, { raw });
}

/* slot, its bits, its code as decimal text -> { value, reading }, or null for a code that stands for nothing. */
const READERS = {
  scaled: readScaled,
  flag: (slot, code) => ({ value: code === "1", reading: code === "1" ? "yes" : "no" }),
  choice: (slot, code, raw) => {
    const found = slot.codes.find((one) => one[0] === raw);
    return found === undefined ? null : { value: found[1], reading: found[1] };
  },
  text: (slot, code) => {
    const text = String.fromCharCode.apply(null, octetsIn(code)).replace(/\0+$/, "");
    return /^[ -~]*$/.test(text) ? { value: text, reading: `"${text}"` } : null;
  },
  octets: (slot, code) => ({ value: hexOf(octetsIn(code)), reading: spaced(code) }),
  fixed: (slot, code, raw) => (raw === slot.value ? { value: raw, reading: raw } : null),
  length: (slot, code, raw) => ({ value: raw, reading: raw }),
  binary32: (slot, code) => {
    const value = singleOf(parseInt(code, 2));
    return isFinite(value) ? { value, reading: withUnit(singleText(value), slot) } : null;
  },
};

function spaced(bits) {
  return octetsIn(bits).map((octet) => padded(octet.toString(16), 2)).join(" ");
}

function describe(slot, code, raw) {
  if (slot.as === "text") {
    return `${spaced(code)} is not printable text with zeros after it`;
  }
  return slot.as === "fixed" ? `${raw} is there` : `code ${raw} stands for nothing`;
}

function withUnit(text, slot) {
  return slot.unit === "" ? text : `${text} ${slot.unit}`;
}

function readScaled(slot, code, raw) {
  const special = slot.special.find((one) => one[0] === raw);
  if (special !== undefined) {
    return { value: { special: special[1] }, reading: special[1].replace(/_/g, " ") };
  }
  const turned = slot.signed && code[0] === "1";
  const number = turned ? { below: true, size: minus(twoTo(slot.bits), codeIn(code)) } : whole(raw);
  const steps = sum(number, whole(slot.first));
  if (isLess(steps, whole(slot.lowest)) || isLess(whole(slot.highest), steps)) {
    return null;
  }
  const fixed = decimal({ below: steps.below, size: times(steps.size, natural(slot.step)) }, slot.decimals);
  const reading = slot.broadcast === raw ? "everybody" : scaledReading(slot, fixed);
  return { value: slot.wide ? fixed : Number(fixed), reading };
}

/* fixed: the exact quantity with the decimals of its step. */
function scaledReading(slot, fixed) {
  if (slot.epoch === undefined) {
    return withUnit(fixed, slot);
  }
  const [seconds, after] = slot.decimals > 0 ? fixed.split(".") : [fixed, ""];
  const rest = after === "" ? "" : `.${after}`;
  if (slot.epoch === "start") {
    const days = divided(natural(seconds), [86400]);
    return `${digitsOf(days.quotient)} d ${timeOfDay(days.rest[0] || 0)}${rest}`;
  }
  if (Number(seconds) > LAST_SECOND) {
    return `${fixed} s since 1970`;
  }
  return `${new Date(1000 * Number(seconds)).toISOString().slice(0, 19)}${rest}Z`;
}

function timeOfDay(seconds) {
  const parts = [Math.floor(seconds / 3600), Math.floor(seconds / 60) % 60, seconds % 60];
  return parts.map((number) => padded(String(number), 2)).join(":");
}

const MOST_OCTETS = 255;
const LAST_SECOND = 253402300799; /* 9999-12-31T23:59:59Z */
