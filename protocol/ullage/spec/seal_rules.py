"""Which frames are sealed, from which octet on, and whether a nonce could ever come twice within a key's life."""

import math
from collections.abc import Callable
from fractions import Fraction

from ..layout import Layout, Length, Scaled, Seal, Sealing, Slot
from ..names import nearest
from . import specfile
from .reading import Path

Complain = Callable[[str, Path, str, str | None], None]

NONCE_OCTETS = 13
"""Of a nonce where L = 2 (RFC 3610 section 2.1)."""

_AT: Path = ("seal",)


class SealRules:
    """Works out the seal of a spec. table: `[seal]`, or None. complain: told every fault."""

    def __init__(self, table: specfile.SealTable | None, frames: list[specfile.FrameTable], complain: Complain) -> None:
        self.table, self.complain = table, complain
        self.sealed = frozenset(table.frames) if table else frozenset()
        known = {frame.name for frame in frames}
        if table and not table.frames:
            complain(
                "no_frames",
                ("seal", "frames"),
                "no frame is sealed here",
                f'frames = ["{frames[0].name}"], or no [seal]',
            )
        for place, name in enumerate(table.frames if table else ()):
            path = ("seal", "frames", place)
            if name not in known:
                near = nearest(name, known)
                complain("unknown_name", path, f'there is no frame "{name}"', f'"{near}", perhaps' if near else None)
            elif table and name in table.frames[:place]:
                complain("name_taken", path, f'"{name}" stands here twice', "once is enough")
        for k, frame in enumerate(frames):
            if frame.encrypt_from is not None and (frame.name not in self.sealed or self._nothing):
                sealed = frame.name in self.sealed
                text = 'encrypt = "nothing" in [seal]' if sealed else "this frame is not sealed"
                help_text = "leave it out" if sealed else f'"{frame.name}" in frames of [seal], or leave it out'
                complain("not_sealed", ("frame", k, "encrypt_from"), text, help_text)

    @property
    def _nothing(self) -> bool:
        return self.table is not None and self.table.encrypt == "nothing"

    def sealing(self, k: int, frame: specfile.FrameTable, slots: list[Slot], header: int, tail: bool) -> Sealing | None:
        """How one frame is sealed, None where it is not. slots: those at fixed places; header: how many begin it."""
        if self.table is None or frame.name not in self.sealed:
            return None
        tag = self.table.tag_octets
        fields = [slot for slot in slots[header:] if slot.kind != "fill"]
        if self._nothing or (not fields and not tail):
            return Sealing(None, tag)
        path: Path = ("frame", k)
        bit = slots[header - 1].end if header else 0
        if frame.encrypt_from is not None:
            found = next((slot for slot in fields if slot.name == frame.encrypt_from), None)
            if found is None:
                text = f'"{frame.encrypt_from}" is no field of this frame at a fixed place behind the header'
                self.complain("unknown_name", (*path, "encrypt_from"), text, None)
                return None
            bit, path = found.offset, (*path, "encrypt_from")
        if bit % 8:
            free = 8 - bit % 8
            name = frame.encrypt_from or "what is encrypted"
            text = f"{name} begins inside octet {bit // 8}; the encrypted part begins at a whole octet"
            where = "before it" if frame.encrypt_from else "at the end of the header"
            help_text = f'{{ name = "spare", kind = "spare", bits = {free} }} {where}'
            self.complain("unaligned", path, text, help_text)
            return None
        late = next((slot for slot in slots if isinstance(slot.transform, Length) and slot.offset >= bit), None)
        if late is not None:
            text = f'"{late.name}" would be encrypted, but a receiver asks for the length before it opens a frame'
            self.complain("length_late", path, text, "encrypt_from a later field")
        return Sealing(bit // 8, tag)

    def seal(self, layouts: list[Layout]) -> Seal | None:
        """The seal that the sealed frames share, None where there is none or after a fault."""
        table = self.table
        sealed = [layout for layout in layouts if layout.sealing]
        if table is None:
            return None
        if not sealed:
            return None
        sequence = self._nonce(table, sealed)
        self._hub(table, sealed[0])
        if table.network >> 8 * table.network_octets:
            text = f"{table.network} does not fit in {table.network_octets} octets"
            help_text = f"network_octets = {(table.network.bit_length() + 7) // 8}"
            self.complain("too_large", (*_AT, "network"), text, help_text)
        if sequence is None:
            return None
        bits = whole_bits(sequence)
        self._life(table, layouts, sealed, sequence, bits)
        return Seal(
            table.key_bits,
            table.tag_octets,
            tuple(table.nonce),
            table.network,
            table.network_octets,
            table.hub,
            bits,
            table.resync if bits > sequence.bits else 0,
            table.group_key,
            table.reserve,
        )

    def _nonce(self, table: specfile.SealTable, sealed: list[Layout]) -> Slot | None:
        """The sequence number, if the nonce is as it must be."""
        before = len(table.nonce)
        slots = [slot for place, name in enumerate(table.nonce) if (slot := self._in_nonce(place, name, sealed))]
        path = (*_AT, "nonce")
        if len(slots) < before:
            return None
        kinds = [slot.kind for slot in slots]
        if "source" not in kinds:
            text = "without the source in it a nonce comes twice: station and hub seal with the same key and numbers"
            self.complain("nonce_repeats", path, text, 'nonce = ["source", "sequence"]')
            return None
        if not kinds or kinds[-1] != "sequence" or kinds.count("sequence") > 1 or len(set(table.nonce)) < before:
            text = "the last field of a nonce is the sequence number, and no field stands in it twice"
            self.complain("nonce_repeats", path, text, 'nonce = ["source", "sequence"]')
            return None
        octets = (
            table.network_octets + sum(octets_of(slot.bits) for slot in slots[:-1]) + octets_of(whole_bits(slots[-1]))
        )
        if octets > NONCE_OCTETS:
            text = f"network, fields and counter are {octets} octets, and a nonce has {NONCE_OCTETS}"
            self.complain("too_wide", path, text, "fewer fields, or a smaller network_octets")
            return None
        return slots[-1]

    def _in_nonce(self, place: int, name: str, sealed: list[Layout]) -> Slot | None:
        """One field of the nonce: in every sealed frame at a fixed place, before what is encrypted, always alike."""
        path = (*_AT, "nonce", place)
        found: list[Slot] = []
        for layout in sealed:
            slot = next((slot for slot in layout.slots if slot.name == name and slot.given), None)
            if slot is None:
                text = f'"{name}" is no field of "{layout.name}" at a fixed place'
                self.complain("unknown_name", path, text, "a field of the header")
                return None
            first = layout.sealing.first_octet if layout.sealing else None
            if first is not None and slot.end > 8 * first:
                text = f'"{name}" is encrypted in "{layout.name}"; a receiver needs it to open the frame'
                self.complain("nonce_hidden", path, text, "a field of the header, or a later encrypt_from")
                return None
            found.append(slot)
        if len({(slot.kind, slot.bits, slot.transform) for slot in found}) > 1:
            self.complain(
                "nonce_repeats", path, f'"{name}" is not the same in every sealed frame', "a field of the header"
            )
            return None
        return found[0]

    def _hub(self, table: specfile.SealTable, layout: Layout) -> None:
        source = next((slot for slot in layout.slots if slot.kind == "source"), None)
        if source is not None and table.hub >> source.bits:
            text = f"{table.hub} is no station: {source.bits} bits hold 0..{(1 << source.bits) - 1}"
            self.complain("too_large", (*_AT, "hub"), text, None)

    def _life(
        self, table: specfile.SealTable, layouts: list[Layout], sealed: list[Layout], sequence: Slot, bits: int
    ) -> None:
        """The numbers of a service life fit in the counter of the station that uses up most: the hub, if it answers.

        Its one counter serves the frames to every station; frames that are not sealed are numbered by it, too.
        """
        frames = 0
        for layout in layouts:
            interval = layout.interval_s or (table.interval if layout.sealing else None)
            if interval is None and layout.sealing:
                text = f'how often "{layout.name}" is sent is not said, so nobody knows how long its numbers last'
                self.complain("missing_key", _AT, text, 'interval = "10 min" here, or in the frame')
                return
            if interval is not None and any(slot.kind == "sequence" for slot in layout.slots):
                frames += math.ceil(table.service_life / interval)
        stations = self._stations(table, sealed[0])
        lost = 2 * table.restarts * table.reserve
        numbers = frames * stations + lost
        if numbers < 1 << bits:
            return
        each = f" for each of {stations} stations" if stations > 1 else ""
        sent = f"{frames} frames in {_spoken(table.service_life)}{each}"
        restarts = f"{table.restarts} restarts that lose up to 2 x {table.reserve} numbers each"
        text = (
            f"a nonce could come twice: {sent} and {restarts} are {numbers} numbers, and {bits} bits count {1 << bits}"
        )
        cure = f"counter_bits = {numbers.bit_length()} in the field {sequence.name}"
        fewer = ", or stations = N in [seal]" if stations > 1 and table.stations is None else ""
        self.complain("nonce_repeats", (*_AT, "service_life"), text, cure + fewer)

    def _stations(self, table: specfile.SealTable, layout: Layout) -> int:
        """How many stations one counter may have to serve."""
        if not any(slot.kind == "destination" for slot in layout.slots):
            return 1
        source = next(slot for slot in layout.slots if slot.kind == "source")
        return table.stations or (1 << source.bits) - 1


def whole_bits(sequence: Slot) -> int:
    """Bits of the whole counter behind a sequence number."""
    transform = sequence.transform
    return (transform.counter_bits if isinstance(transform, Scaled) else None) or sequence.bits


def octets_of(bits: int) -> int:
    """Whole octets that hold so many bits."""
    return -(-bits // 8)


def _spoken(seconds: Fraction) -> str:
    years = seconds / 31_557_600
    return f"{float(years):g} years" if years >= 1 else f"{float(seconds / 86_400):g} days"
