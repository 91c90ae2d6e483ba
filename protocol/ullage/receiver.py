"""A receiver of one or several protocols or revisions: each is asked, and no frame is believed by two of them.

One accepts: its message. More than one: `ambiguous`. None: the reason that came furthest in the order of questions,
the first protocol's on ties. With keys it opens sealed frames, and remembers which numbers it has accepted.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from .codec import Message, Opener
from .errors import Refused
from .protocol import Protocol
from .status import Status

if TYPE_CHECKING:
    from .sealed import Heard, Keys, Who

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

    protocols: one, or several in the order in which they are asked, the newest revision first. keys: station -> key, to
    open sealed frames (None -> the group's key). from_counter: the lowest number to try for a station of which nothing
    is known. Raises ValueError for no protocol at all, and for a revision number that is given with two fingerprints:
    it names one layout only.
    """

    def __init__(
        self,
        protocols: Protocol | Iterable[Protocol],
        keys: "Keys | None" = None,
        from_counter: int = 0,
    ) -> None:
        self.protocols = (protocols,) if isinstance(protocols, Protocol) else tuple(protocols)
        self._sealed = None
        if keys is not None:
            from . import sealed

            self._sealed = sealed.Opener(keys, from_counter)
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
                to = at if protocol.destination_slot else None
                found.append(protocol.codec.decode(octets, to, self._opener(protocol)))
            except Refused as refused:
                refused.protocol = protocol
                refusals.append(refused)
        if len(found) == 1:
            return found[0]
        if not found:
            raise refusals[furthest([refused.reason for refused in refusals])]
        names = " and ".join(f"{one.protocol.name} revision {one.protocol.revision}" for one in found if one.protocol)
        raise Refused(Status.AMBIGUOUS, f"these octets are a sound frame of {names}")

    def _opener(self, protocol: Protocol) -> Opener | None:
        opener = self._sealed
        if opener is None or protocol.seal is None:
            return None
        return lambda layout, body, tag: opener.opened(protocol, layout, body, tag)

    @property
    def heard(self) -> "Mapping[Who, Heard]":
        """What each source has sent under each key: (protocol's name, station whose key it is, source) -> `Heard`."""
        return self._sealed.heard if self._sealed else {}

    def saved(self) -> list[dict[str, Any]]:
        """The replay windows as plain data for JSON. Keep it before acting on a frame, or that frame can come again."""
        return [
            {"protocol": name, "key": owner, "source": source, "window": heard.window.saved()}
            for (name, owner, source), heard in self.heard.items()
        ]

    def restore(self, saved: list[dict[str, Any]]) -> None:
        """Take up replay windows that `saved` gave; all of them or, where one is none, not one.

        Raises SealError for anything that `saved` never gives, ValueError for a receiver without keys.
        """
        if self._sealed is None:
            raise ValueError("a receiver without keys has no windows")
        from .sealed import restored

        self._sealed.heard = restored(saved)
