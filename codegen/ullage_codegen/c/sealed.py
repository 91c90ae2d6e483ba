"""Sealed frames in the C header: what a nonce is made of, whose key it is, and where the encrypted part begins.

Everything is read from the layout. Frames in which the nonce's fields stand at the same places share their functions;
a protocol whose nonce is made of header fields, as nearly all are, has them once.
"""

from dataclasses import dataclass
from typing import Any

from ullage import Protocol
from ullage.errors import UllageError
from ullage.layout import Layout, Scaled, Seal, Slot, header_slot
from ullage.spec.seal_rules import octets_of
from ullage.status import Status

from .decode import octet
from .encode import encoder_parts, local
from .frame import CFrame
from .model import CType, unsigned
from .names import Names
from .pack import slot_expression
from .seal import SealParts

_WHOLE = ("peer", "find", "receive", "receive_at", "sealed_number", "sealed_take")
_OF_PLACES = ("sealed_nonce", "sealed_open")
_CONSTANTS = ("seal_reserve",)

ANSWERS = (Status.COUNTER_SPENT, Status.COUNTER_LOST)
"""What sealing can say besides what encoding can."""


@dataclass(frozen=True)
class Places:
    """Frames whose nonce and key stand at the same places, with the functions that read them there.

    prefix: of the functions' names. nonce: the fields, the sequence number last. source, destination: of the key.
    """

    prefix: str
    nonce: tuple[Slot, ...]
    source: Slot
    destination: Slot | None
    seal: Seal

    @property
    def nonce_lines(self) -> list[str]:
        """Statements that write a nonce but for its counter, then give what travels of that."""
        seal = self.seal
        lines: list[str] = []
        made = [f"0x{one:02x}u" for one in seal.network.to_bytes(seal.network_octets, "big")]
        for slot in self.nonce[:-1]:
            lines.append(f"const {unsigned(slot.bits).name} {local(slot)} = {slot_expression(slot, octet)};")
            made += _high_first(local(slot), slot.bits)
        lines.append("uint8_t place;")
        lines += [f"nonce[{place}] = {text};" for place, text in enumerate(made)]
        return [*lines, f"for (place = {len(made)}u; place < 13u; place++) {{", "    nonce[place] = 0u;", "}"]

    @property
    def low_part(self) -> str:
        """The expression of what travels of the counter, in the counter's type."""
        return f"({counter_type(self.seal).name}){slot_expression(self.nonce[-1], octet)}"

    @property
    def number_lines(self) -> list[str]:
        """Statements that write the whole counter into a nonce."""
        seal = self.seal
        first = seal.network_octets + sum(octets_of(slot.bits) for slot in self.nonce[:-1])
        parts = enumerate(_high_first("counter", seal.counter_bits), first)
        return [f"nonce[{place}] = {text};" for place, text in parts]

    @property
    def source_code(self) -> str:
        """The expression of who sent a frame."""
        return slot_expression(self.source, octet)

    @property
    def destination_code(self) -> str:
        """The expression of whom a frame is for."""
        assert self.destination is not None
        return slot_expression(self.destination, octet)

    @property
    def everybody(self) -> str:
        """The code by which a frame is for everybody, "" where there is none."""
        return everybody(self.destination)

    @property
    def hub(self) -> str:
        """The hub's station as a constant."""
        return unsigned(self.source.bits).literal(self.seal.hub)


@dataclass(frozen=True)
class CSealed:
    """All that the templates need to know of a sealed protocol.

    places: the kinds of frames, the functions for each of which the header has once. kind_of: frame's name -> which.
    frames: those that are sealed. all_sealed: whether there are no others.
    """

    seal: Seal
    parts: SealParts
    places: tuple[Places, ...]
    kind_of: dict[str, Places]
    frames: tuple[Layout, ...]
    all_sealed: bool

    @property
    def counter(self) -> CType:
        """The type of a whole counter."""
        return self.parts.ctype

    @property
    def source(self) -> CType:
        """The type of a source."""
        return unsigned(self.places[0].source.bits)

    @property
    def owner(self) -> CType:
        """The type of a station whose key it is: it may come from the source or from the destination."""
        to = self.places[0].destination
        return unsigned(max(self.places[0].source.bits, to.bits if to else 0))

    @property
    def grouped(self) -> bool:
        """Whether a frame can be sealed under a key that all share."""
        return self.seal.group_key and bool(self.places[0].everybody)

    @property
    def most_octets(self) -> int:
        """Octets of the longest body that is sealed."""
        return max(layout.body_octets for layout in self.frames)

    def refuses_everybody(self, frame: CFrame) -> str:
        """The condition that the struct's frame is for everybody under a key that nobody has, "" where it cannot be."""
        kind = self.kind_of[frame.layout.name]
        if not kind.everybody or self.grouped or kind.destination is None:
            return ""
        names = {member.slot.name: member.name for member in frame.members}
        source, to = (names[slot.name] for slot in (kind.source, kind.destination))
        return f"values->{source} == {kind.hub} && values->{to} == {kind.everybody}"

    def sequence(self, frame: CFrame) -> Slot | None:
        """The slot of a frame that the counter gives, None in a frame that is not sealed."""
        return frame.layout.slot(self.seal.nonce[-1]) if frame.layout.sealing else None

    def sequence_line(self, frame: CFrame) -> str:
        """The declaration of what travels of the number."""
        slot = frame.layout.slot(self.seal.nonce[-1])
        ctype = unsigned(slot.bits)
        number = "number" if slot.bits == self.counter.bits else f"(number & {ctype.literal((1 << slot.bits) - 1)})"
        return f"const {ctype.name} {local(slot)} = ({ctype.name}){number};"

    def encoder(self, frame: CFrame, refusal: str) -> tuple[list[str], list[str]]:
        """The statements of a fixed frame that check, and those that write."""
        return encoder_parts(frame.layout, frame.members, refusal, self.sequence(frame))

    def body(self, frame: CFrame, whole: str) -> str:
        """The expression of how many octets stand before the tag. whole: that of all octets of a variable frame."""
        layout = frame.layout
        return f"{layout.body_octets}u" if layout.fixed else f"{whole} - {layout.end_octets}u"

    def cut(self, frame: CFrame, body: str) -> str:
        """The expression of the first encrypted octet, the body's end where nothing is."""
        sealing = frame.layout.sealing
        return body if sealing is None or sealing.first_octet is None else f"{sealing.first_octet}u"

    def rest(self, frame: CFrame, body: str) -> str:
        """The expression of how many octets are encrypted."""
        cut = self.cut(frame, body)
        if cut == body:
            return "0u"
        return f"{frame.layout.body_octets - int(cut[:-1])}u" if frame.layout.fixed else f"{body} - {cut}"


def sealed_of(protocol: Protocol, names: Names, maker: str) -> CSealed | None:
    """Name all that a header has for sealed frames; None where none is sealed.

    maker: who is told of as the other one in a clash. Raises NameClash, and UllageError for keys that C has no AES for.
    """
    seal = protocol.seal
    if seal is None:
        return None
    if seal.key_bits != 128:
        text = f"the keys of {protocol.name} have {seal.key_bits} bits, and the C header has AES-128 only"
        raise UllageError(f"{text}: key_bits = 128 in [seal], or the frames stay in Python")
    frames = tuple(layout for layout in protocol.frames.values() if layout.sealing)
    parts = SealParts(protocol.name, seal.counter_bits, frames[0].slot(seal.nonce[-1]).bits)
    for word in (*parts.functions, *_WHOLE):
        names.function(word, maker=maker)
    for word in (*parts.constants, *_CONSTANTS):
        names.constant(word, maker=maker)
    kinds: dict[Any, list[Layout]] = {}
    for layout in frames:
        kinds.setdefault(tuple(_place(layout.slot(name)) for name in seal.nonce), []).append(layout)
    kind_of: dict[str, Places] = {}
    for alike in kinds.values():
        whose = () if len(kinds) == 1 else (alike[0].name,)
        for word in _OF_PLACES:
            names.function(*whose, word, maker=maker)
        kind_of |= dict.fromkeys((one.name for one in alike), _places(seal, alike[0], "_".join((names.prefix, *whose))))
    every = len(frames) == len(protocol.frames)
    return CSealed(seal, parts, tuple(dict.fromkeys(kind_of.values())), kind_of, frames, every)


def _place(slot: Slot) -> tuple[int, bool]:
    return slot.offset, slot.low_first


def _places(seal: Seal, layout: Layout, prefix: str) -> Places:
    nonce = tuple(layout.slot(name) for name in seal.nonce)
    source = next(slot for slot in nonce if slot.kind == "source")
    return Places(prefix, nonce, source, header_slot({"": layout}, "destination"), seal)


def counter_type(seal: Seal) -> CType:
    """The type of a whole counter."""
    return SealParts("", seal.counter_bits, 1).ctype


def everybody(destination: Slot | None) -> str:
    """The code of a destination that stands for everybody, as a constant; "" where none does."""
    transform = destination.transform if destination else None
    if destination is None or not isinstance(transform, Scaled) or transform.broadcast is None:
        return ""
    return unsigned(destination.bits).literal(transform.broadcast)


def _high_first(name: str, bits: int) -> list[str]:
    """The octets of a code in its whole width, the highest first, as C expressions."""
    if bits <= 8:
        return [f"(uint8_t){name}"]
    return [f"(uint8_t)({name} >> {8 * place})" if place else f"(uint8_t){name}" for place in range(octets_of(bits))][
        ::-1
    ]
