/* == LoRaWAN ==
 * The functions of TS013, "Payload Codec API" (LoRa Alliance, TS013-1.0.0), with the shapes as told in public, second-hand. They
 * never throw. data is { frame, values }, the same in both directions, so that what decodeDownlink gives can be sent. */

const DOWNLINK_PORT = 1; /* frames say themselves what they are, so any port does: set another in what comes back */

/* input: { bytes, fPort, recvTime }; the last two are not used. Gives { data: { frame, values } } or { errors: [text] }. */
function decodeUplink(input) {
  try {
    const answer = decode(input.bytes);
    if (answer.status !== 0) {
      return { errors: [`${answer.reason}: ${answer.text}`] };
    }
    return { data: { frame: answer.frame, values: answer.values } };
  } catch (error) {
    return { errors: [wordsOf(input, "bytes", error)] };
  }
}

function decodeDownlink(input) {
  return decodeUplink(input);
}

/* input: { data: { frame, values } }. Gives { bytes, fPort } or { errors: [text] }. */
function encodeDownlink(input) {
  try {
    return { bytes: Array.from(encode(input.data.frame, input.data.values)), fPort: DOWNLINK_PORT };
  } catch (error) {
    return { errors: [wordsOf(input, "data", error)] };
  }
}

function wordsOf(input, name, error) {
  const there = typeof input === "object" && input !== null && input[name] !== undefined && input[name] !== null;
  const status = error instanceof EncodeError && error.status !== null ? `${error.status}: ` : "";
  return there ? `${status}${error.message}` : `the input has no ${name}`;
}
