"""Sealing and opening frames: nonce, associated data and key of a frame, read from the layout; windows for replays.

A `Sender` owns the counter and never seals twice with a number. Opening asks in the order of the rules: is there a key,
does the tag fit, has the number been seen. A window moves only once all three have passed, and then whatever follows.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NoReturn
from typing import Protocol as Shape

from .errors import EncodeError, Refused
from .layout import Layout, Seal, Slot, header_slot
from .protocol import Protocol
from .seal.ccm import NONCE_OCTETS, open_, seal
from .seal.errors import SealError, WrongTag
from .seal.keys import Key
from .seal.window import OldRun, Seen, Window, candidates, old_candidates
from .spec.seal_rules import octets_of
from .status import Status

Keys = Mapping[int, Key] | Mapping[int | None, Key]
"""Station -> its key; None -> the group's."""


class Counter(Shape):
    """What hands out whole numbers, each once: `ullage.seal.BlockCounter`, for one that survives power cuts."""

    def take(self) -> int:
        """The next number."""
        ...


@dataclass(frozen=True, slots=True)
class _Parts:
    """Where the parts of a sealed frame's nonce and key stand."""

    layout: Layout
    seal: Seal
    nonce: tuple[Slot, ...]
    sequence: Slot
    source: Slot
    destination: Slot | None

    def code(self, slot: Slot, body: bytes) -> int:
        """The code of a slot that is in the clear."""
        word = int.from_bytes(body[: octets_of(slot.end)], "big")
        return slot.turned(word >> (-slot.end % 8) & ((1 << slot.bits) - 1))

    def nonce_of(self, body: bytes, counter: int) -> bytes:
        """The nonce of a frame: network, fields, whole counter, zeros."""
        parts = [self.seal.network.to_bytes(self.seal.network_octets, "big")]
        parts += [self.code(slot, body).to_bytes(octets_of(slot.bits), "big") for slot in self.nonce[:-1]]
        parts.append(counter.to_bytes(octets_of(self.seal.counter_bits), "big"))
        return b"".join(parts).ljust(NONCE_OCTETS, b"\0")

    def owner(self, body: bytes) -> int | None:
        """Whose key seals a frame: that of the station which is not the hub; None for the group's."""
        source = self.code(self.source, body)
        if source != self.seal.hub or self.destination is None:
            return source
        to = self.code(self.destination, body)
        return None if to == getattr(self.destination.transform, "broadcast", None) else to

    def cut(self, body: bytes) -> int:
        """The first octet that is encrypted; the body's end where nothing is."""
        first = self.layout.sealing.first_octet if self.layout.sealing else None
        return len(body) if first is None else first


def parts_of(protocol: Protocol, layout: Layout) -> _Parts:
    """Where in a sealed frame stands what its nonce and key are made of."""
    assert protocol.seal is not None
    nonce = tuple(layout.slot(name) for name in protocol.seal.nonce)
    source = next(slot for slot in nonce if slot.kind == "source")
    return _Parts(layout, protocol.seal, nonce, nonce[-1], source, header_slot({"": layout}, "destination"))


class Sender:
    """Encodes the frames of one station, and seals those that are to be sealed.

    protocol: what to send. station: its own address, the source of every frame. keys: station -> key; a node needs its
    own, the hub that of each station. counter: hands out whole numbers, each once in a key's life, over all restarts;
    the sender is its owner. Raises ValueError for a protocol in which nothing is sealed.
    """

    def __init__(self, protocol: Protocol, station: int, keys: Keys, counter: Counter) -> None:
        if protocol.seal is None:
            raise ValueError(f"{protocol.name} has no sealed frames: Protocol.encode is all it needs")
        self.protocol, self.station = protocol, station
        self._keys: dict[int | None, Key] = dict(keys.items())
        self._counter = counter
        self._parts = {name: parts_of(protocol, layout) for name, layout in protocol.frames.items() if layout.sealing}

    def __repr__(self) -> str:
        return f"<Sender of {self.protocol.name}, station {self.station}>"

    def encode(self, frame: str, values: Mapping[str, Any]) -> bytes:
        """Give the octets of one message, sealed where its frame is.

        frame, values: as for `Protocol.encode`, without source and sequence number; a number that is given for a sealed
        frame is not used, the counter gives it. Keep the octets for a retry: it is
        the same frame, not a new one. Returns the whole frame. Raises EncodeError, and uses up no number, when values
        do not fit or there is no key; with the status `counter_spent` when the counter has reached its end.
        """
        parts = self._parts.get(frame)
        given = self._given(frame, values)
        if parts is None:
            return self._unsealed(frame, given)
        body = self.protocol.codec.body(frame, {**given, parts.sequence.name: 0})
        key = self._key(parts, frame, body)
        number = self._counter.take()
        if number >> parts.seal.counter_bits:
            text = f"number {number} does not fit in a counter of {parts.seal.counter_bits} bits"
            raise EncodeError(text, frame=frame, status=Status.COUNTER_SPENT, help="give the station a fresh key")
        body = _with_code(body, parts.sequence, number & ((1 << parts.sequence.bits) - 1))
        cut = parts.cut(body)
        sealed = seal(key, parts.nonce_of(body, number), body[cut:], body[:cut], parts.seal.tag_octets)
        return self.protocol.codec.finished(body[:cut] + sealed)

    def _given(self, frame: str, values: Mapping[str, Any]) -> dict[str, Any]:
        slot = header_slot(self.protocol.frames, "source")
        if not isinstance(values, Mapping):
            raise EncodeError(f"values are a {type(values).__name__}; give name -> value", frame=frame)
        if slot is None:
            return dict(values)
        if values.get(slot.name, self.station) != self.station:
            text = f"{slot.name}: this sender is station {self.station}, not {values[slot.name]}"
            raise EncodeError(text, frame=frame, field=slot.name, help="leave it out")
        return {**values, slot.name: self.station}

    def _unsealed(self, frame: str, given: dict[str, Any]) -> bytes:
        """A frame that is not sealed, numbered like the others where it has a sequence number."""
        layout = self.protocol.frames.get(frame)
        slot = next((slot for slot in layout.values if slot.kind == "sequence"), None) if layout else None
        if slot is None or slot.name in given:
            return self.protocol.encode(frame, given)
        self.protocol.codec.body(frame, {**given, slot.name: 0})
        return self.protocol.encode(frame, {**given, slot.name: self._counter.take() & ((1 << slot.bits) - 1)})

    def _key(self, parts: _Parts, frame: str, body: bytes) -> Key:
        owner = parts.owner(body)
        if owner is None and not parts.seal.group_key:
            text = f"{frame}: a sealed frame to everybody needs a key that all share, and this spec has none"
            help_text = "one frame for each station, or group_key = true with its weakness"
            name = parts.destination.name if parts.destination else None
            raise EncodeError(text, frame=frame, field=name, status=Status.OUT_OF_RANGE, help=help_text)
        key = self._keys.get(owner)
        if key is None:
            whose = "the group" if owner is None else f"station {owner}"
            hub = owner == parts.seal.hub
            help_text = (
                "the hub has no key of its own: its frames go to a station" if hub else "ullage key new makes one"
            )
            raise EncodeError(f"{frame}: there is no key of {whose}", frame=frame, help=help_text)
        _check_bits(key, parts.seal)
        return key


def _check_bits(key: Key, seal_: Seal) -> None:
    if key.bits != seal_.key_bits:
        raise ValueError(f"{key!r}: this spec's keys have {seal_.key_bits} bits")


def _with_code(body: bytes, slot: Slot, code: int) -> bytes:
    """A body with a code in a slot that holds zeros."""
    return (int.from_bytes(body, "big") | slot.turned(code) << (8 * len(body) - slot.end)).to_bytes(len(body), "big")


@dataclass
class Heard:
    """What one source has sent under one key. window: its numbers; the rest counts frames for statistics."""

    window: Window = field(default_factory=Window)
    accepted: int = 0
    repeats: int = 0
    too_old: int = 0
    wrong_tags: int = 0
    old_run: OldRun = field(default_factory=OldRun)

    @property
    def looks_restarted(self) -> bool:
        """Whether the station has most likely lost its counter: authentic frames come whose numbers are all old."""
        return self.old_run.looks_restarted


Who = tuple[str, int | None, int]
"""Protocol's name, whose key, source."""


def restored(saved: Any) -> dict[Who, Heard]:
    """What `Receiver.saved` gave, with counts that begin again. Raises SealError."""
    found: dict[Who, Heard] = {}
    for one in saved if isinstance(saved, list) else [None]:
        keys = {"protocol", "key", "source", "window"}
        if not isinstance(one, dict) or set(one) != keys or not isinstance(one["protocol"], str):
            raise SealError("these are no saved replay windows")
        owner, source = one["key"], one["source"]
        if type(source) is not int or not (owner is None or type(owner) is int):
            raise SealError("these are no saved replay windows: stations are whole numbers")
        found[one["protocol"], owner, source] = Heard(Window.restored(one["window"]))
    return found


class Opener:
    """Opens the sealed frames of some protocols, with keys and a window for each key and source.

    keys: station -> key. from_counter: the lowest number to try for a source of which nothing is known yet.
    """

    def __init__(self, keys: Keys, from_counter: int = 0) -> None:
        self._keys: dict[int | None, Key] = dict(keys.items())
        self._from = from_counter
        self.heard: dict[Who, Heard] = {}

    def opened(self, protocol: Protocol, layout: Layout, body: bytes, tag: bytes) -> tuple[bytes, int]:
        """See `codec.Opener`."""
        parts = parts_of(protocol, layout)
        owner, source = parts.owner(body), parts.code(parts.source, body)
        key = self._keys.get(owner) if owner is not None or parts.seal.group_key else None
        if key is None:
            whose = "everybody" if owner is None else f"station {owner}"
            raise Refused(Status.NO_KEY, f"there is no key of {whose}", frame=layout.name)
        _check_bits(key, parts.seal)
        who = (protocol.name, owner, source)
        known = self.heard.get(who)
        found = self._tried(parts, key, body, tag, known)
        if found is None:
            self._wrong(parts, key, body, tag, known)
        text, counter = found
        known = self.heard.setdefault(who, Heard())
        seen = known.window.check(counter)
        known.old_run = known.old_run.after(seen, counter)
        if seen is not Seen.FRESH:
            known.repeats += seen is Seen.REPEAT
            known.too_old += seen is Seen.TOO_OLD
            said = "was accepted before" if seen is Seen.REPEAT else f"is too old; {known.window.top} is the highest"
            slot = parts.sequence
            raise Refused(
                Status.REPLAY,
                f"{slot.name}: number {counter} {said}",
                frame=layout.name,
                field=slot.name,
                bit=slot.offset,
                raw=parts.code(slot, body),
                expected="a number that was not accepted before",
            )
        known.window = known.window.advance(counter)
        known.accepted += 1
        return text, counter

    def _tried(self, parts: _Parts, key: Key, body: bytes, tag: bytes, known: Heard | None) -> tuple[bytes, int] | None:
        """The body in the clear and the number with which the tag fits."""
        window = known.window if known else None
        numbers = candidates(
            window,
            parts.code(parts.sequence, body),
            low_bits=parts.sequence.bits,
            counter_bits=parts.seal.counter_bits,
            resync=parts.seal.resync,
            start=min(self._from, (1 << parts.seal.counter_bits) - 1),
        )
        return _first_that_fits(parts, key, body, tag, numbers)

    def _wrong(self, parts: _Parts, key: Key, body: bytes, tag: bytes, known: Heard | None) -> NoReturn:
        """Refuse a tag that fits no number; on the way see whether it fits an old one, for the statistics."""
        if known is not None:
            low = parts.code(parts.sequence, body)
            numbers = old_candidates(
                known.window, low, low_bits=parts.sequence.bits, counter_bits=parts.seal.counter_bits
            )
            old = _first_that_fits(parts, key, body, tag, numbers)
            if old is None:
                known.wrong_tags += 1
            else:
                known.too_old += 1
                known.old_run = known.old_run.after(Seen.TOO_OLD, old[1])
        text = "the tag does not fit: forged, damaged, or another key"
        raise Refused(Status.WRONG_TAG, text, frame=parts.layout.name, bit=8 * len(body))


def _first_that_fits(
    parts: _Parts, key: Key, body: bytes, tag: bytes, numbers: Iterator[int]
) -> tuple[bytes, int] | None:
    cut = parts.cut(body)
    for counter in numbers:
        try:
            text = open_(key, parts.nonce_of(body, counter), body[cut:] + tag, body[:cut], len(tag))
        except WrongTag:
            continue
        return body[:cut] + text, counter
    return None
