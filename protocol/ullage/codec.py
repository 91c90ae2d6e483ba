"""The scalar codec: one frame is one big integer, and every slot a shift and a mask on it.

For every octet string the decoder gives a message that encodes back to those octets, or one named reason. The fast
way answers only when all is well; whatever it doubts goes to `_first_fault`, which asks in the order of the rules.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, NoReturn

from .bodies import FixedBody, length_of, listed
from .errors import EncodeError, Refused
from .groups import GroupBody
from .layout import Layout, Slot
from .status import Status

if TYPE_CHECKING:
    from .protocol import Protocol

_MOST_OCTETS = 255


_Body = FixedBody | GroupBody

Opener = Callable[[Layout, bytes, bytes], tuple[bytes, int]]
"""Opens a sealed frame: layout, body as received, tag -> body in the clear, whole counter. Raises Refused."""


class Message:
    """One accepted frame.

    Attributes: frame (its name), values (field name -> value, in wire order; a special code is a `Special` string),
    protocol (whose frame it is; None when made by hand), counter (the whole number of a sealed frame that was opened;
    None for one that anybody could have sent). `message["distance"]` is `message.values["distance"]`.
    """

    __slots__ = ("counter", "frame", "protocol", "values")

    def __init__(
        self, frame: str, values: dict[str, Any], protocol: "Protocol | None" = None, counter: int | None = None
    ) -> None:
        self.frame = frame
        self.values = values
        self.protocol = protocol
        self.counter = counter

    @property
    def sealed(self) -> bool:
        """Whether a tag vouched for it."""
        return self.counter is not None

    def __getitem__(self, name: str) -> Any:
        return self.values[name]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Message) and self.frame == other.frame and self.values == other.values

    def __repr__(self) -> str:
        inside = ", ".join(f"{name}={value!r}" for name, value in self.values.items())
        return f"<Message {self.frame} {inside}>"


class Codec:
    """Reader and writer of all frames of a protocol. `Protocol.encode` and `.decode` are its front."""

    def __init__(self, protocol: "Protocol") -> None:
        self.protocol = protocol
        integrity = protocol.integrity
        self._least = protocol.least_octets
        self._check = protocol.check_octets
        self._crc = integrity.check.function if integrity else None
        self._first = integrity.first_octet if integrity else 0
        self._order: Any = "big" if integrity is None or integrity.high_first else "little"
        self._noun = integrity.noun if integrity else ""
        self._frames = {name: _body(layout) for name, layout in protocol.frames.items()}
        self._only = next(iter(self._frames.values()))
        self._by_code = {frame.layout.message: frame for frame in self._frames.values()}
        self._revision, self._message = protocol.revision_slot, protocol.message_slot
        self._revision_mask = (1 << self._revision.bits) - 1 if self._revision else 0
        self._message_mask = (1 << self._message.bits) - 1 if self._message else 0
        self._chooses = bool(self._revision or self._message)

    def encode(self, frame: str, values: Mapping[str, Any]) -> bytes:
        """See `Protocol.encode`."""
        codec = self._frames.get(frame)
        if codec is None:
            known = listed(list(self._frames))
            raise EncodeError(f"{self.protocol.name} has no frame {frame!r}", frame=str(frame), help=f"it has {known}")
        if not isinstance(values, Mapping):
            raise EncodeError(f"values are a {type(values).__name__}; give name -> value", frame=frame)
        if codec.layout.sealing is not None:
            text = f"{frame} is sealed; only a Sender, which owns the counter, makes it"
            raise EncodeError(text, frame=frame, help="ullage.Sender(protocol, station, keys, counter).encode(…)")
        return self.finished(codec.write(values))

    def body(self, frame: str, values: Mapping[str, Any]) -> bytes:
        """The octets of a frame before tag and check, none of them encrypted. Raises EncodeError."""
        return self._frames[frame].write(values)

    def finished(self, octets: bytes) -> bytes:
        """Octets with the check behind them."""
        if self._crc is None:
            return octets
        covered = octets[self._first :] if self._first else octets
        return octets + self._crc(covered).to_bytes(self._check, self._order)

    def decode(
        self, octets: bytes | bytearray | memoryview, at: int | None = None, opener: Opener | None = None
    ) -> Message:
        """See `Protocol.decode`. opener: opens sealed frames; without one they are refused."""
        if type(octets) is not bytes:
            octets = memoryview(octets).tobytes()
        to = None if at is None else self.station_slot(at)
        count = len(octets)
        if count < self._least:
            self._refuse_too_short(count)
        if count > _MOST_OCTETS:
            raise Refused(Status.TOO_LONG, f"{count} octets; 255 is the most", raw=count, expected="at most 255 octets")
        body_octets = count - self._check
        if self._crc is not None:
            sent = int.from_bytes(octets[body_octets:], self._order)
            fits = self._crc(octets[self._first : body_octets])
            if sent != fits:
                self._refuse_integrity(sent, fits, body_octets)
        word = int.from_bytes(octets[:body_octets], "big")
        codec = self._choose(word, 8 * body_octets) if self._chooses else self._only
        if not codec.least <= count <= codec.most:
            most = f"..{codec.most}" if codec.most > codec.least else ""
            text = f"{_octets(count)}; {codec.layout.name} has {codec.least}{most}"
            expected = f"{codec.least}{most} octets"
            raise Refused(Status.WRONG_LENGTH, text, frame=codec.layout.name, raw=count, expected=expected)
        bits = 8 * body_octets
        if codec.layout.length_slot is not None:
            self._check_length(word, bits, codec.layout, codec.layout.length_slot)
        if to is not None:
            self._check_address(word, bits, codec.layout, to, at)
        if codec.layout.sealing is not None:
            return self._open(codec, octets[:body_octets], opener)
        return Message(codec.layout.name, codec.read(word, bits), self.protocol)

    def _open(self, codec: _Body, octets: bytes, opener: Opener | None) -> Message:
        """Open a sealed frame, then read it. octets: without the check."""
        layout = codec.layout
        if opener is None:
            raise Refused(Status.NO_KEY, f"{layout.name} is sealed, and no key is given", frame=layout.name)
        cut = len(octets) - layout.tag_octets
        body, counter = opener(layout, octets[:cut], octets[cut:])
        values = codec.read(int.from_bytes(body, "big"), 8 * len(body))
        return Message(layout.name, values, self.protocol, counter)

    def _choose(self, word: int, bits: int) -> _Body:
        """The frame that revision and message code name. word: the octets before the CRC; bits: how many they are."""
        protocol = self.protocol
        if self._revision is not None:
            raw = word >> (bits - self._revision.end) & self._revision_mask
            if raw != protocol.revision:
                text = f"a sound frame of revision {raw}; this spec is revision {protocol.revision}"
                slot = self._revision
                expected = str(protocol.revision)
                raise Refused(Status.OTHER_REVISION, text, field=slot.name, bit=slot.offset, raw=raw, expected=expected)
        if self._message is None:
            return self._only
        raw = word >> (bits - self._message.end) & self._message_mask
        codec = self._by_code.get(raw)
        if codec is None:
            known = ", ".join(str(code) for code in self._by_code)
            text = f"message code {raw} is none of this spec's: {known}"
            slot = self._message
            raise Refused(
                Status.UNKNOWN_MESSAGE, text, field=slot.name, bit=slot.offset, raw=raw, expected=f"one of {known}"
            )
        return codec

    def station_slot(self, at: int) -> Slot:
        """The slot to compare with a station, asked before any octet: a wrong station is never the air's fault."""
        slot = self.protocol.destination_slot
        if slot is None:
            raise ValueError(f"{self.protocol.name} has no destination, so frames are for everybody")
        if isinstance(at, bool) or not isinstance(at, int) or not 0 <= at < 1 << slot.bits:
            raise ValueError(f"{at!r} is no station; 0..{(1 << slot.bits) - 1} are")
        return slot

    def _check_length(self, word: int, bits: int, layout: Layout, slot: Slot) -> None:
        raw = slot.turned(word >> (bits - slot.end) & ((1 << slot.bits) - 1))
        expected = length_of(slot, bits // 8 + self._check)
        if raw != expected:
            text = f"{slot.name} says {raw} octets, and there are {expected}"
            raise Refused(
                Status.WRONG_LENGTH,
                text,
                frame=layout.name,
                field=slot.name,
                bit=slot.offset,
                raw=raw,
                expected=str(expected),
            )

    def _check_address(self, word: int, bits: int, layout: Layout, slot: Slot, at: int | None) -> None:
        raw = slot.turned(word >> (bits - slot.end) & ((1 << slot.bits) - 1))
        if raw not in (at, getattr(slot.transform, "broadcast", None)):
            raise Refused(
                Status.NOT_ADDRESSED,
                f"for station {raw}, received at {at}",
                frame=layout.name,
                field=slot.name,
                bit=slot.offset,
                raw=raw,
                expected=f"{at}",
            )

    def _refuse_too_short(self, count: int) -> NoReturn:
        tag = min(layout.tag_octets for layout in self.protocol.frames.values())
        parts = ["header"] if self._least > self._check + tag else []
        parts += [*(["tag"] if tag else []), *([self._noun] if self._noun else [])]
        text = f"{_octets(count)}; {listed(parts)} take{'s' if len(parts) == 1 else ''} {self._least}"
        raise Refused(Status.TOO_SHORT, text, raw=count, expected=f"at least {_octets(self._least)}")

    def _refuse_integrity(self, sent: int, fits: int, body_octets: int) -> NoReturn:
        digits = 2 * self._check
        covered = body_octets - self._first
        text = f"the {self._noun} is {sent:0{digits}x}, these {_octets(covered)} give {fits:0{digits}x}"
        raise Refused(Status.INTEGRITY, text, bit=8 * body_octets, raw=sent, expected=f"{fits:0{digits}x}")


def _body(layout: Layout) -> _Body:
    return FixedBody(layout) if layout.fixed else GroupBody(layout)


def _octets(count: int) -> str:
    return f"{count} octet" if count == 1 else f"{count} octets"
