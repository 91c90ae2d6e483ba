"""The one list of answers a codec can give, with the same numbers in Python, C, logs and sheets.

Numbers are never reused. 1..15 are reasons of a decoder, in the order in which it asks; 32.. are an encoder's.
"""

from enum import IntEnum


class Status(IntEnum):
    """What a decoder or an encoder answered; `str()` gives the name, `int()` the number."""

    FINE = 0
    TOO_SHORT = 1
    TOO_LONG = 2
    INTEGRITY = 3
    OTHER_REVISION = 4
    UNKNOWN_MESSAGE = 5
    WRONG_LENGTH = 6
    NOT_ADDRESSED = 7
    NO_KEY = 8
    WRONG_TAG = 9
    REPLAY = 10
    WRONG_CONSTANT = 11
    SPARE_NOT_ZERO = 12
    NOT_A_VALUE = 13
    WRONG_COUNT = 14
    AMBIGUOUS = 15
    OUT_OF_RANGE = 32
    TOO_MANY = 33
    NO_ROOM = 34
    COUNTER_SPENT = 35
    COUNTER_LOST = 36

    def __str__(self) -> str:
        return self.name.lower()

    @property
    def meaning(self) -> str:
        """One line: what happened."""
        return _MEANING[self][0]

    @property
    def advice(self) -> str:
        """One or two sentences: what the reader can do about it."""
        return _MEANING[self][1]


_MEANING: dict[Status, tuple[str, str]] = {
    Status.FINE: ("all questions passed", "Nothing to do."),
    Status.TOO_SHORT: (
        "fewer octets than header and check take",
        "The frame was cut, or the line holds something else. Look at the receiver's buffer and at the printing loop.",
    ),
    Status.TOO_LONG: (
        "more than 255 octets",
        "No frame is that long. Two frames may have been joined, or this is another kind of data.",
    ),
    Status.INTEGRITY: (
        "the CRC or sum does not fit the octets before it",
        "The frame was damaged on its way, comes from a neighbour, or the other end uses another CRC or octet order.",
    ),
    Status.OTHER_REVISION: (
        "a sound frame of another revision of this protocol",
        "This end and that node were built from different revisions of the spec. Update the end that is behind.",
    ),
    Status.UNKNOWN_MESSAGE: (
        "a sound frame with a message code that this spec does not have",
        "The other end knows a frame that this spec lacks, or it is a neighbour with the same CRC.",
    ),
    Status.WRONG_LENGTH: (
        "not as long as this frame is",
        "The integrity check passed, so the other end was probably built from another spec. Compare the fingerprints.",
    ),
    Status.NOT_ADDRESSED: ("for another station", "Nothing is wrong: the frame was meant for somebody else."),
    Status.NO_KEY: ("no key for this station", "Hand in the key of the station that sealed this frame."),
    Status.WRONG_TAG: (
        "the tag does not fit: forged, damaged, or another key",
        "Check that both ends hold the same key. If they do, somebody else is sending.",
    ),
    Status.REPLAY: (
        "a number that was accepted before, or is too old",
        "Repeats are normal. If every frame of a node is refused so, the node has lost its counter.",
    ),
    Status.WRONG_CONSTANT: (
        "a constant is not what the spec says",
        "The integrity check passed, so the other end was probably built from another spec. Compare the fingerprints.",
    ),
    Status.SPARE_NOT_ZERO: (
        "bits that must be zero are not",
        "The other end fills bits that this spec leaves free: it was probably built from a newer spec.",
    ),
    Status.NOT_A_VALUE: (
        "a code that stands for nothing",
        "The other end sent a code outside the range and special codes of this spec. Compare the fingerprints.",
    ),
    Status.WRONG_COUNT: (
        "a count that this list cannot have",
        "The integrity check passed, so the other end was probably built from another spec. Compare the fingerprints.",
    ),
    Status.AMBIGUOUS: (
        "more than one of the protocols accepts these octets",
        "Give the protocols different CRCs or constants, or decode with one of them.",
    ),
    Status.OUT_OF_RANGE: (
        "encode: a value is outside its range; nothing was written",
        "Send a special code, widen the range in the spec, or let the field clamp.",
    ),
    Status.TOO_MANY: (
        "encode: more items than the list may have; nothing was written",
        "Send fewer items, or raise at_most in the spec.",
    ),
    Status.NO_ROOM: (
        "encode: the buffer is smaller than the frame; nothing was written",
        "Give a buffer as long as the longest frame.",
    ),
    Status.COUNTER_SPENT: (
        "encode: the counter has reached its end; nothing was written",
        "Give the node a fresh key.",
    ),
    Status.COUNTER_LOST: (
        "encode: the counter's memory cannot be trusted; nothing was written",
        "Look at the memory; then provision the node with a number past all that it has used, or with a fresh key.",
    ),
}
