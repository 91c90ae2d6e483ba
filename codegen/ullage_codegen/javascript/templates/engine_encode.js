/* == Encoding == */

/* What was given cannot be sent. frame and field: where (null where there is none). status, number: "out_of_range" and
 * 32 and the like, the same as in the other encoders; null for a missing name or a value of the wrong kind. */
class EncodeError extends Error {
  constructor(text, frame, field, status) {
    super(text);
    this.name = "EncodeError";
    this.frame = frame;
    this.field = field;
    this.status = status || null;
    this.number = status ? STATUS[status] : null;
  }
}

/* Gives the octets of one message, check included. frame: its name. values: name -> value as decode gives them. A
 * quantity may be a Number, a BigInt or decimal text; a Number stands for its shortest decimal text and goes to the
 * nearest step, a tie to the even one. Special codes also by name alone; octets as hex text or an array. Counts of
 * lists and flags of groups may be left out. Throws EncodeError, and gives nothing, when a name is missing or unknown
 * or a value does not fit. */
function encode(frame, values) {
  const found = FRAMES.find((one) => one.name === frame);
  if (found === undefined) {
    const known = FRAMES.map((one) => one.name).join(", ");
    throw new EncodeError(`${NAME} has no frame ${quoted(String(frame), 40)}; it has ${known}`, String(frame), null);
  }
  if (found.sealed) {
    throw new EncodeError(`${frame} is sealed, and this module holds no keys`, frame, null);
  }
  let bits = writeScope({ frame: found, entries: found.entries, path: "" }, values);
  bits += "0".repeat((8 - (bits.length % 8)) % 8);
  const { integrity } = PROTOCOL;
  const length = bits.length / 8 + (integrity === null ? 0 : integrity.octets);
  if (found.lengthSlot !== null) {
    const slot = found.lengthSlot;
    const code = placed(slot, bitsIn(natural(String(lengthOf(slot, length))), slot.bits));
    bits = bits.slice(0, slot.offset) + code + bits.slice(slot.offset + slot.bits);
  }
  const body = octetsIn(bits);
  const check = integrity === null ? [] : checkOf(integrity, body);
  return Uint8Array.from(body.concat(integrity !== null && integrity.highFirst ? check : check.reverse()));
}

/* The bits of a code as they stand in the frame. */
function placed(slot, bits) {
  return slot.lowFirst ? bitsOf(octetsIn(bits).reverse()) : bits;
}

/* The bits of a scope (a frame, an item, a group), in wire order; the first value that does not fit is thrown. */
function writeScope(scope, values) {
  if (Object.prototype.toString.call(values) !== "[object Object]") {
    const text = `${scope.path.slice(0, -1) || "values"}: ${kindOf(values)}; give name -> value`;
    throw new EncodeError(text, scope.frame.name, null);
  }
  const given = namesOf(values);
  /* A frame of one length speaks of its values first where the number of names is right. */
  if (!scope.frame.fixed || given.length !== scope.entries.filter(isGiven).length) {
    checkNames(scope, given);
  }
  let bits = "";
  for (const entry of scope.entries) {
    if (entry.entries === undefined) {
      bits += placed(entry, slotBits(scope, entry, values));
    } else if (entry.is === "list") {
      const items = values[entry.name];
      for (let number = 0; number < items.length; number++) {
        bits += writeScope(inner(scope, entry, `${entry.name}[${number}].`), items[number]);
      }
    } else if (values[entry.name] !== null) {
      bits += writeScope(inner(scope, entry, `${entry.name}.`), values[entry.name]);
    }
  }
  return bits;
}

function inner(scope, entry, name) {
  return { frame: scope.frame, entries: entry.entries, path: scope.path + name };
}

/* The names that have a value; undefined is none. */
function namesOf(values) {
  return Object.keys(values).filter((name) => values[name] !== undefined);
}

function has(values, name) {
  return Object.prototype.hasOwnProperty.call(values, name) && values[name] !== undefined;
}

function checkNames(scope, given) {
  const { frame, entries, path } = scope;
  const derived = entries.map((entry) => entry.countedBy || entry.when);
  const isSlot = (entry) => entry.entries === undefined;
  const known = entries.filter((entry) => isSlot(entry) && isGiven(entry)).concat(entries.filter((entry) => !isSlot(entry)));
  const names = known.map((entry) => entry.name);
  const missing = names.filter((name) => derived.indexOf(name) < 0 && given.indexOf(name) < 0);
  if (missing.length > 0) {
    const text = `${frame.name} needs ${missing.map((name) => path + name).join(", ")}`;
    throw new EncodeError(text, frame.name, path + missing[0]);
  }
  const unknown = given.find((name) => names.indexOf(name) < 0);
  if (unknown !== undefined) {
    const own = entries.some((entry) => entry.name === unknown);
    const text = own ? "is written by the encoder itself" : `is no field here; there are ${names.join(", ") || "none"}`;
    throw new EncodeError(`${path}${unknown} ${text}`, frame.name, path + unknown);
  }
}

function slotBits(scope, slot, values) {
  if (slot.as === "fixed") {
    return bitsIn(natural(slot.value), slot.bits);
  }
  if (slot.as === "length") {
    return "0".repeat(slot.bits); /* put in when the length is known */
  }
  const list = scope.entries.find((entry) => entry.countedBy === slot.name);
  if (list !== undefined) {
    return countBits(scope, slot, list, values);
  }
  const groups = scope.entries.filter((entry) => entry.when === slot.name);
  if (groups.length > 0) {
    return flagBits(scope, slot, groups, values);
  }
  if (!has(values, slot.name)) {
    checkNames(scope, namesOf(values));
  }
  return write(scope, slot, values[slot.name]);
}

function countBits(scope, slot, list, values) {
  const items = values[list.name];
  const fault = (text, status) => new EncodeError(`${scope.path}${text}`, scope.frame.name, scope.path + list.name, status);
  if (!Array.isArray(items)) {
    throw fault(`${list.name}: ${kindOf(items)} is no array of items`);
  }
  if (items.length > list.most) {
    throw fault(`${list.name}: ${items.length} items are more than ${list.most}`, "too_many");
  }
  if (items.length < list.least) {
    throw fault(`${list.name}: ${items.length} items are fewer than ${list.least}`, "out_of_range");
  }
  const count = items.length * (list.itemOctets || 1);
  const bits = write(scope, slot, count);
  if (has(values, slot.name) && write(scope, slot, values[slot.name]) !== bits) {
    throw follows(scope, slot, `is ${shown(values[slot.name])}, and what is given makes ${count}`);
  }
  return bits;
}

function flagBits(scope, slot, groups, values) {
  let bits = has(values, slot.name) ? write(scope, slot, values[slot.name]) : null;
  for (const group of groups) {
    const there = values[group.name] === null ? "0" : "1";
    if (bits !== null && bits !== there) {
      const [says, is] = [bits === "1" ? "yes" : "no", there === "1" ? "there" : "not there"];
      throw follows(scope, slot, `says ${says}, and ${group.name} is ${is}`);
    }
    bits = there;
  }
  return bits;
}

function follows(scope, slot, text) {
  const field = scope.path + slot.name;
  return new EncodeError(`${field} ${text}; leave ${slot.name} out: it follows`, scope.frame.name, field);
}

/* == One value: to the bits of its code == */

function write(scope, slot, value) {
  const refuse = (text, status) => {
    const field = scope.path + slot.name;
    throw new EncodeError(`${field}: ${text}`, scope.frame.name, field, status);
  };
  return WRITERS[slot.as](slot, value, refuse);
}

/* slot, value, refuse(text, status) -> bits; refuse throws. */
const WRITERS = {
  scaled: writeScaled,
  flag: (slot, value, refuse) => {
    const number = typeof value === "boolean" ? null : numberIn(slot, value, refuse);
    const one = number === null ? value : order(number.over, number.under) === 0 && !number.below;
    if (number !== null && !one && number.over.length > 0) {
      refuse(`${shown(value)} is neither ${slot.expected}`, "out_of_range");
    }
    return one ? "1" : "0";
  },
  choice: writeChoice,
  text: (slot, value, refuse) => {
    if (typeof value !== "string") {
      refuse(`${kindOf(value)} is no text; ${slot.expected}`);
    }
    if (8 * value.length > slot.bits || !/^[ -~]*$/.test(value)) {
      refuse(`${quoted(value, 40)} is not ${slot.expected}`, "out_of_range");
    }
    const bits = bitsOf(value.split("").map((letter) => letter.charCodeAt(0)));
    return bits + "0".repeat(slot.bits - bits.length);
  },
  octets: writeOctets,
  binary32: (slot, value, refuse) => {
    const number = typeof value === "number" ? null : numberIn(slot, value, refuse);
    const code = singleCode(number === null ? value : number);
    return code === null ? refuse(`${shown(value)} is not ${slot.expected}`, "out_of_range") : padded(code.toString(2), 32);
  },
};

function numberIn(slot, value, refuse) {
  try {
    return exact(value);
  } catch (error) {
    return refuse(`${error.message}; ${slot.expected}`);
  }
}

function writeScaled(slot, value, refuse) {
  const name = isSpecial(value) ? value.special : value;
  const special = slot.special.find((one) => one[1] === name);
  if (special !== undefined) {
    return bitsIn(natural(special[0]), slot.bits);
  }
  if (isSpecial(value)) {
    refuse(`there is no special code ${quoted(String(name), 40)}; ${slot.expected}`);
  }
  const number = numberIn(slot, value, refuse);
  const below = times(number.under, natural(slot.step));
  let steps = { below: number.below, size: nearest(times(number.over, tenTo(slot.decimals)), below) };
  const [lowest, highest] = [whole(slot.lowest), whole(slot.highest)];
  const [under, over] = [isLess(steps, lowest), isLess(highest, steps)];
  if (under || over) {
    if (!slot.clamp) {
      refuse(`${shown(value)} is outside ${slot.expected}`, "out_of_range");
    }
    steps = under ? lowest : highest;
  }
  const code = sum(steps, opposite(whole(slot.first)));
  const negative = code.below && code.size.length > 0;
  return bitsIn(negative ? minus(twoTo(slot.bits), code.size) : code.size, slot.bits);
}

function isSpecial(value) {
  return typeof value === "object" && value !== null && typeof value.special === "string";
}

function writeChoice(slot, value, refuse) {
  const known = slot.codes.map((one) => one[1]).join(", ");
  if (typeof value !== "string" && typeof value !== "bigint" && !Number.isSafeInteger(value)) {
    refuse(`${kindOf(value)} is no choice; one of ${known}`);
  }
  const named = typeof value === "string";
  const text = named ? value : String(value);
  const found = slot.codes.find((one) => one[named ? 1 : 0] === text);
  if (found === undefined && named) {
    refuse(`there is no choice ${quoted(value, 40)}; one of ${known}`);
  }
  return found === undefined
    ? refuse(`${shown(value)} is none of ${slot.expected}`, "out_of_range")
    : bitsIn(natural(found[0]), slot.bits);
}

function writeOctets(slot, value, refuse) {
  let octets = null;
  if (typeof value === "string") {
    try {
      octets = Array.from(octetsOf(value));
    } catch (error) {
      refuse(`${error.message}; ${slot.expected}`);
    }
  } else {
    octets = plainOctets(value);
  }
  if (octets === null) {
    refuse(`${kindOf(value)} is no octets; give hex text, or an array of 0..255`);
  }
  if (8 * octets.length !== slot.bits) {
    refuse(`${octets.length} octets are not ${slot.expected}`, "out_of_range");
  }
  return bitsOf(octets);
}

/* A value in an error: short. */
function shown(value) {
  const text = typeof value === "string" ? quoted(value, 40) : String(value);
  return text.length > 42 ? `${text.slice(0, 39)}...` : text;
}
