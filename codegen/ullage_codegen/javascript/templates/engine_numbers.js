/* == Exact numbers ==
 * Doubles end at 2^53 and old engines have no BigInt, so a natural number is an array of limbs of seven decimal digits,
 * the lowest first, [] being 0; a whole number is { below, size }, below 0 or not. */

const LIMB = 10000000;
const LIMB_DIGITS = 7;
const DOUBLE_BITS = 53;
const FAR = 120; /* powers of ten: what lies beyond is outside everything, and is cut there */

function natural(digits) {
  const limbs = [];
  for (let end = digits.length; end > 0; end -= LIMB_DIGITS) {
    limbs.push(Number(digits.slice(Math.max(end - LIMB_DIGITS, 0), end)));
  }
  return trimmed(limbs);
}

function trimmed(limbs) {
  while (limbs.length > 0 && limbs[limbs.length - 1] === 0) {
    limbs.pop();
  }
  return limbs;
}

function digitsOf(number) {
  let text = "";
  for (let place = 0; place < number.length - 1; place++) {
    text = padded(String(number[place]), LIMB_DIGITS) + text;
  }
  return number.length === 0 ? "0" : String(number[number.length - 1]) + text;
}

/* Below, at or above 0, as one is to the other. */
function order(one, other) {
  if (one.length !== other.length) {
    return one.length - other.length;
  }
  for (let place = one.length - 1; place >= 0; place--) {
    if (one[place] !== other[place]) {
      return one[place] - other[place];
    }
  }
  return 0;
}

function plus(one, other) {
  const limbs = [];
  let carry = 0;
  for (let place = 0; place < one.length || place < other.length || carry > 0; place++) {
    const limb = (one[place] || 0) + (other[place] || 0) + carry;
    carry = limb >= LIMB ? 1 : 0;
    limbs.push(limb - carry * LIMB);
  }
  return limbs;
}

/* one - other; other is not the larger. */
function minus(one, other) {
  const limbs = [];
  let borrow = 0;
  for (let place = 0; place < one.length; place++) {
    const limb = one[place] - (other[place] || 0) - borrow;
    borrow = limb < 0 ? 1 : 0;
    limbs.push(limb + borrow * LIMB);
  }
  return trimmed(limbs);
}

function times(one, other) {
  const limbs = new Array(one.length + other.length).fill(0);
  for (let place = 0; place < one.length; place++) {
    let carry = 0;
    for (let second = 0; second < other.length || carry > 0; second++) {
      const limb = limbs[place + second] + one[place] * (other[second] || 0) + carry;
      carry = Math.floor(limb / LIMB);
      limbs[place + second] = limb - carry * LIMB;
    }
  }
  return trimmed(limbs);
}

function divided(one, other) {
  const quotient = new Array(one.length).fill(0);
  let rest = [];
  for (let place = one.length - 1; place >= 0; place--) {
    rest = trimmed([one[place]].concat(rest));
    let digit = guess(rest, other);
    while (order(times(other, trimmed([digit])), rest) > 0) {
      digit -= 1;
    }
    rest = minus(rest, times(other, trimmed([digit])));
    while (order(rest, other) >= 0) {
      rest = minus(rest, other);
      digit += 1;
    }
    quotient[place] = digit;
  }
  return { quotient: trimmed(quotient), rest };
}

/* The quotient's limb, or one beside it, from the highest limbs as doubles. */
function guess(rest, other) {
  let above = 0;
  let below = 0;
  for (let place = other.length; place >= Math.max(other.length - 3, 0); place--) {
    above = above * LIMB + (rest[place] || 0);
    below = below * LIMB + (other[place] || 0);
  }
  return Math.min(Math.floor(above / below), LIMB - 1);
}

/* The natural number nearest to above / below; a tie goes to the even one. */
function nearest(above, below) {
  const { quotient, rest } = divided(above, below);
  const more = order(plus(rest, rest), below);
  const odd = quotient.length > 0 && quotient[0] % 2 === 1;
  return more > 0 || (more === 0 && odd) ? plus(quotient, [1]) : quotient;
}

function tenTo(power) {
  return natural(`1${"0".repeat(power)}`);
}

function twoTo(power) {
  let found = [1];
  for (let left = power; left > 0; left -= 16) {
    found = times(found, [1 << Math.min(left, 16)]);
  }
  return found;
}

/* The code that bits are, as decimal text; a double is exact as far as 53 bits. */
function codeText(bits) {
  return bits.length <= DOUBLE_BITS ? String(parseInt(bits || "0", 2)) : digitsOf(codeIn(bits));
}

function codeIn(bits) {
  if (bits.length <= DOUBLE_BITS) {
    return natural(codeText(bits));
  }
  let found = [];
  for (let end = bits.length % 16; end <= bits.length; end += 16) {
    const part = parseInt(bits.slice(Math.max(end - 16, 0), end) || "0", 2);
    found = plus(times(found, [65536]), trimmed([part]));
  }
  return found;
}

/* So many bits of a code. */
function bitsIn(code, count) {
  if (count <= DOUBLE_BITS) {
    return padded(Number(digitsOf(code)).toString(2), count);
  }
  let bits = "";
  let left = code;
  while (left.length > 0) {
    const { quotient, rest } = divided(left, [65536]);
    bits = padded((rest[0] || 0).toString(2), 16) + bits;
    left = quotient;
  }
  return padded(bits, count).slice(-count);
}

/* == Numbers below 0 == */

function whole(text) {
  const below = text[0] === "-";
  return { below, size: natural(below ? text.slice(1) : text) };
}

function opposite(number) {
  return { below: !number.below, size: number.size };
}

function sum(one, other) {
  if (one.below === other.below) {
    return { below: one.below, size: plus(one.size, other.size) };
  }
  const larger = order(one.size, other.size) >= 0;
  return larger ? { below: one.below, size: minus(one.size, other.size) } : sum(other, one);
}

function isLess(one, other) {
  const between = sum(one, opposite(other));
  return between.below && between.size.length > 0;
}

/* == What a caller's number means == */

/* The exact value as { below, over, under }: over / under, below 0 or not. A Number stands for its shortest decimal
 * text. Throws an Error where the value is no number. */
function exact(value) {
  if (typeof value === "boolean") {
    throw new Error(`${value} is a truth value, not a number`);
  }
  if (typeof value === "number" && !isFinite(value)) {
    throw new Error(`${value} is not a number that can be sent`);
  }
  if (typeof value === "bigint") {
    const { below, size } = whole(String(value));
    return { below, over: size, under: [1] };
  }
  if (typeof value !== "number" && typeof value !== "string") {
    throw new Error(`${kindOf(value)} is no number; give a number or decimal text`);
  }
  const text = String(value);
  const found = DECIMAL.exec(text);
  if (found !== null) {
    return fromDecimal(found[1] === "-", found[2] || "", found[3] || found[4] || "", Number(found[5] || 0));
  }
  const ratio = RATIO.exec(text);
  if (ratio === null || natural(ratio[3]).length === 0) {
    throw new Error(`${quoted(text, 60)} is no number`);
  }
  const over = natural(ratio[2]);
  return { below: ratio[1] === "-" && over.length > 0, over, under: natural(ratio[3]) };
}

const DECIMAL =
  /^[ \t-\r]*([+-]?)(?:([0-9]{1,400})(?:\.([0-9]{0,400}))?|\.([0-9]{1,400}))(?:[eE]([+-]?[0-9]{1,9}))?[ \t-\r]*$/;
const RATIO = /^[ \t-\r]*([+-]?)([0-9]{1,400})\/([0-9]{1,400})[ \t-\r]*$/;

function fromDecimal(below, before, after, power) {
  const digits = (before + after).replace(/^0+/, "");
  const exponent = power - after.length;
  const first = digits.length - 1 + exponent; /* the power of ten of the first digit */
  if (digits === "") {
    return { below: false, over: [], under: [1] };
  }
  if (first > FAR || first < -FAR) {
    return { below, over: first > 0 ? tenTo(FAR) : [1], under: first > 0 ? [1] : tenTo(FAR) };
  }
  return { below, over: natural(digits + "0".repeat(Math.max(exponent, 0))), under: tenTo(Math.max(-exponent, 0)) };
}

function kindOf(value) {
  return value === null ? "null" : Array.isArray(value) ? "array" : typeof value;
}

function quoted(text, most) {
  return `'${text.slice(0, most)}'`;
}

/* A whole number of the last decimal as a number with so many decimals. */
function decimal(number, decimals) {
  const digits = padded(digitsOf(number.size), decimals + 1);
  const sign = number.below && number.size.length > 0 ? "-" : "";
  const cut = digits.length - decimals;
  return decimals > 0 ? `${sign}${digits.slice(0, cut)}.${digits.slice(cut)}` : sign + digits;
}
