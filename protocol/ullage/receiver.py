"""A receiver of several protocols or revisions at once: each is asked, and no frame is believed by two of them.

One accepts: its message. More than one: `ambiguous`. None: the reason that came furthest in the order of questions,
the first protocol's on ties.
"""

from collections.abc import Iterable, Sequence

from .codec import Message
from .errors import Refused
from .protocol import Protocol
from .status import Status

_ORDER = (
    *(Status.TOO_SHORT, Status.TOO_LONG, Status.INTEGRITY, Status.OTHER_REVISION, Status.UNKNOWN_MESSAGE),
    *(Status.WRONG_LENGTH, Status.NOT_ADDRESSED, Status.NO_KEY, Status.WRONG_TAG, Status.REPLAY, Status.WRONG_COUNT),
)


def furthest(reasons: Sequence[Status]) -> int:
    """Which of several reasons came furthest in the order of questions: its place, the first on ties.

    The slots' own reasons (a constant, spare bits, no value) are one question, asked last. reasons: one or more.
    """
    stages = [_ORDER.index(reason) if reason in _ORDER else len(_ORDER) for reason in reasons]
    return stages.index(max(stages))


class Receiver:
    """Reads the frames of several protocols, or of several revisions of one.

    protocols: in the order in which they are asked, the newest revision first. Raises ValueError for none at all, and
    for a revision number that is given with two fingerprints: it names one layout only.
    """

    def __init__(self, protocols: Iterable[Protocol]) -> None:
        self.protocols = tuple(protocols)
        if not self.protocols:
            raise ValueError("a receiver needs at least one protocol")
        known: dict[tuple[str, int], str] = {}
        for protocol in self.protocols:
            key, mark = (protocol.name, protocol.revision), protocol.fingerprint
            if key in known:
                text = f"{protocol.name} revision {protocol.revision} is given twice"
                other = known[key]
                raise ValueError(text if other == mark else f"{text}, with fingerprints {other} and {mark}")
            known[key] = mark

    def decode(self, octets: bytes | bytearray | memoryview, at: int | None = None) -> Message:
        """Read one frame of any of the protocols, whole or not at all.

        octets: what was received. at: the receiving station; protocols without a destination do not ask for it.
        Returns the message; its `protocol` says which one it is of. Raises Refused with the reason of rule 10 and
        nothing else, whatever the octets; the refusal's `protocol` says whose reason it is, None for `ambiguous`.
        Raises ValueError when no protocol has a destination and `at` is given, or when `at` is no station.
        """
        if at is not None and all(protocol.destination_slot is None for protocol in self.protocols):
            raise ValueError(f"{self.protocols[0].name} has no destination, so frames are for everybody")
        found: list[Message] = []
        refusals: list[Refused] = []
        for protocol in self.protocols:
            try:
                found.append(protocol.decode(octets, at if protocol.destination_slot else None))
            except Refused as refused:
                refused.protocol = protocol
                refusals.append(refused)
        if len(found) == 1:
            return found[0]
        if not found:
            raise refusals[furthest([refused.reason for refused in refusals])]
        names = " and ".join(f"{one.protocol.name} revision {one.protocol.revision}" for one in found if one.protocol)
        raise Refused(Status.AMBIGUOUS, f"these octets are a sound frame of {names}")
