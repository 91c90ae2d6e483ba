/* == Octets, bits and checks ==
 * A frame is the text of its bits, "0010000100000001...", first bit first: a field is a slice of it, of any width. */

function padded(text, count) {
  return "0".repeat(Math.max(count - text.length, 0)) + text;
}

function hexOf(octets) {
  return octets.map((octet) => padded(octet.toString(16), 2)).join("");
}

function bitsOf(octets) {
  return octets.map((octet) => padded(octet.toString(2), 8)).join("");
}

function octetsIn(bits) {
  const found = [];
  for (let place = 0; place < bits.length; place += 8) {
    found.push(parseInt(bits.slice(place, place + 8), 2));
  }
  return found;
}

/* The bits of a slot, which begins at its offset; where its lowest octet goes first, as if the highest did. */
function bitsAt(bits, offset, slot) {
  const found = bits.slice(offset, offset + slot.bits);
  return slot.lowFirst ? bitsOf(octetsIn(found).reverse()) : found;
}

function counted(count) {
  return count === 1 ? "1 octet" : `${count} octets`;
}

/* An array of octets from any kind of array; null where something in it is no octet. */
function plainOctets(given) {
  if (typeof given !== "object" || given === null || !Number.isInteger(given.length) || given.length < 0) {
    return null;
  }
  const found = [];
  for (let place = 0; place < given.length; place++) {
    const octet = given[place];
    if (!Number.isInteger(octet) || octet < 0 || octet > 255) {
      return null;
    }
    found.push(octet);
  }
  return found;
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
    const even = padded(digits[1], 2);
    for (let place = 0; place < even.length; place += 2) {
      found.push(parseInt(even.slice(place, place + 2), 16));
    }
  }
  return Uint8Array.from(found);
}

/* The check of a whole body, as octets, high octet first. */
function checkOf(integrity, body) {
  const covered = body.slice(integrity.first);
  return integrity.sum === undefined ? crcOf(integrity.crc, covered) : sumOf(integrity.sum, covered);
}

function sumOf(sum, octets) {
  const size = Math.pow(2, sum.bits);
  const total = octets.reduce((one, octet) => one + octet, sum.start) % size;
  return octetsIn(padded((sum.invert ? size - 1 - total : total).toString(2), sum.bits));
}

/* The model's own bit by bit form, for any width of 3..64; the register is two halves of 32 bits. */
function crcOf(crc, octets) {
  const [polyHigh, polyLow] = halves(crc.poly);
  let [high, low] = halves(crc.init);
  const maskHigh = crc.width > 32 ? 0xffffffff >>> (64 - crc.width) : 0;
  const maskLow = crc.width > 31 ? 0xffffffff : (1 << crc.width) - 1;
  for (const octet of octets) {
    for (let step = 0; step < 8; step++) {
      const bit = (octet >> (crc.refin ? step : 7 - step)) & 1;
      const top = crc.width > 32 ? high >>> (crc.width - 33) : low >>> (crc.width - 1);
      high = ((high << 1) | (low >>> 31)) & maskHigh;
      low = (low << 1) & maskLow;
      if ((top & 1) !== bit) {
        high ^= polyHigh;
        low ^= polyLow;
      }
    }
  }
  const register = (padded((high >>> 0).toString(2), 32) + padded((low >>> 0).toString(2), 32)).slice(-crc.width);
  const [outHigh, outLow] = halves(crc.xorout);
  const out = padded(outHigh.toString(2), 32) + padded(outLow.toString(2), 32);
  const turned = padded(crc.refout ? register.split("").reverse().join("") : register, 64);
  const sent = octetsIn(turned).map((octet, place) => octet ^ parseInt(out.slice(8 * place, 8 * place + 8), 2));
  return sent.slice(8 - Math.ceil(crc.width / 8));
}

function halves(hex) {
  const digits = padded(hex, 16);
  return [parseInt(digits.slice(0, 8), 16), parseInt(digits.slice(8), 16)];
}
