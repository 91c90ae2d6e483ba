/* == IEEE 754 single precision == */

function singleOf(code) {
  return new Float32Array(new Uint32Array([code]).buffer)[0];
}

/* The 32 bits of the nearest single, ties to even, as a Number; null where that is infinite. value: a Number, or what
 * `exact` gives. */
function singleCode(value) {
  if (typeof value === "number") {
    /* the double itself is what is rounded, as everywhere, not its decimal text */
    const code = new Uint32Array(new Float32Array([value]).buffer)[0];
    return ((code >>> 23) & 0xff) === 0xff ? null : code;
  }
  const { below, over, under } = value;
  let power = -126; /* of the leading bit; those of the smallest numbers share this one */
  for (let most = 128; power < most; ) {
    const middle = Math.ceil((power + most) / 2);
    if (order(scaledBy(over, -middle), scaledBy(under, middle)) >= 0) {
      power = middle;
    } else {
      most = middle - 1;
    }
  }
  const size = nearest(scaledBy(over, 23 - power), scaledBy(under, power - 23));
  const code = (power + 126) * 0x800000 + Number(digitsOf(size));
  return code >= 0x7f800000 ? null : code + (below ? 0x80000000 : 0);
}

function scaledBy(number, power) {
  return power > 0 ? times(number, twoTo(power)) : number;
}

/* The fewest digits that lead back to the same single; a tie between two texts goes to the even digit. */
function singleText(value) {
  if (value === 0) {
    return Object.is(value, -0) ? "-0" : "0";
  }
  for (let digits = 1; ; digits++) {
    const [shown, power] = Math.abs(value).toExponential(digits - 1).split("e");
    let number = shown.replace(".", "");
    if (Number(number) % 2 === 1 && isTie(Math.abs(value), number, Number(power) - digits + 1)) {
      number = String(Number(number) - 1); /* toExponential takes the larger one */
    }
    const text = asPeopleWrite(number, Number(power));
    if (Math.fround(Number(text)) === Math.abs(value) || digits === 17) {
      return (value < 0 ? "-" : "") + text;
    }
  }
}

/* Whether a single lies exactly half a unit below digits x 10^power. */
function isTie(value, digits, power) {
  const { over, under } = binaryParts(value);
  const half = minus(times(natural(digits), [2]), [1]);
  const one = times(times(over, [2]), tenTo(Math.max(-power, 0)));
  return order(one, times(times(half, under), tenTo(Math.max(power, 0)))) === 0;
}

/* A single as the exact ratio of two natural numbers. */
function binaryParts(value) {
  const code = new Uint32Array(new Float32Array([value]).buffer)[0];
  const exponent = (code >>> 23) & 0xff;
  const fraction = (code & 0x7fffff) + (exponent > 0 ? 0x800000 : 0);
  const power = Math.max(exponent, 1) - 150;
  return { over: scaledBy(natural(String(fraction)), power), under: twoTo(Math.max(-power, 0)) };
}

/* Digits with the first at 10^power: as 12300, 0.00123, 1.23e+20 or 1.23e-07, no zeros at the end. */
function asPeopleWrite(digits, power) {
  const text = digits.replace(/0+$/, "");
  if (power < -4 || power >= digits.length) {
    const size = padded(String(Math.abs(power)), 2);
    return `${text[0]}${text.length > 1 ? "." : ""}${text.slice(1)}e${power < 0 ? "-" : "+"}${size}`;
  }
  if (power < 0) {
    return `0.${"0".repeat(-power - 1)}${text}`;
  }
  const left = text.slice(0, power + 1) + "0".repeat(Math.max(power + 1 - text.length, 0));
  return text.length > power + 1 ? `${left}.${text.slice(power + 1)}` : left;
}
