"""A data sheet: everything about a protocol on one page for people, as HTML that decodes, or as Markdown.

`model` collects what both say, so that both say the same; nothing in it depends on the day or the machine.
"""

from dataclasses import dataclass
from typing import Any

from ullage import Protocol, __version__
from ullage.layout import Layout
from ullage.words.annotate import Row, annotate, tell_body
from ullage.words.describe import air_time, radio, radio_settings
from ullage.words.samples import sample

from . import seal as sheet_seal
from . import words as sheet_words
from .fields import FieldRow, check_words, field_rows
from .rulers import Part, keys, parts
from .svg import ROOM

_UNITS = ((86_400, "day"), (3600, "h"), (60, "min"), (1, "s"))


@dataclass(frozen=True)
class SheetFrame:
    """One frame. number: its place in the protocol. example: octets of the worked example, and told as rows.

    The example of a sealed frame is its body before it is sealed: a whole frame would need somebody's key.
    """

    number: int
    layout: Layout
    lengths: str
    facts: tuple[str, ...]
    parts: tuple[Part, ...]
    fields: tuple[FieldRow, ...]
    keyed: tuple[FieldRow, ...]
    example: bytes
    rows: tuple[Row, ...]

    @property
    def name(self) -> str:
        """The frame's name."""
        return self.layout.name

    @property
    def sealed(self) -> bool:
        """Whether it is sealed."""
        return self.layout.sealing is not None

    @property
    def hidden(self) -> bool:
        """Whether part of it is encrypted."""
        return self.layout.sealing is not None and self.layout.sealing.first_octet is not None

    @property
    def example_title(self) -> str:
        """What stands before the example's octets."""
        return "Worked example, before it is sealed" if self.sealed else "Worked example"


@dataclass(frozen=True)
class Sheet:
    """All that a sheet says. spec_name, spec: the spec's file name and its octets."""

    protocol: Protocol
    spec_name: str
    spec: bytes
    frames: tuple[SheetFrame, ...]
    stations: tuple[str, ...]
    advice: tuple[sheet_words.Advice, ...]
    check_name: str
    check: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    sealing: tuple[str, ...] = ()
    defer: str = sheet_words.DEFER
    version: str = __version__

    @property
    def hint(self) -> str:
        """Octets of a frame that the page can read, in hex; "" where all are sealed."""
        return next((frame.example.hex(" ") for frame in self.frames if not frame.sealed), "")


def model(protocol: Protocol, spec_name: str, spec: bytes) -> Sheet:
    """Collect what a sheet says.

    protocol: what the spec describes. spec_name, spec: the spec's file name and octets, which the page carries.
    """
    integrity = protocol.integrity
    return Sheet(
        protocol,
        spec_name,
        spec,
        tuple(_frame(protocol, layout, number) for number, layout in enumerate(protocol.frames.values())),
        sheet_words.stations(protocol),
        sheet_words.advice(protocol),
        check_words(integrity.check) if integrity else "",
        sheet_words.check_numbers(integrity) if integrity else (),
        sheet_words.cautions(protocol),
        sheet_seal.sealing(protocol),
    )


def _frame(protocol: Protocol, layout: Layout, number: int) -> SheetFrame:
    values = sample(layout)
    octets = _example(protocol, layout, values)
    noun = protocol.integrity.noun if protocol.integrity else ""
    keyed = keys(layout, number, ROOM)
    fields = field_rows(protocol, layout, number, keyed, _all_values(protocol, layout, octets, values))
    return SheetFrame(
        number,
        layout,
        _lengths(layout),
        tuple(_facts(protocol, layout)),
        parts(layout, number, noun, keyed),
        fields,
        tuple(row for row in fields if row.key),
        octets,
        tell_body(protocol, layout, octets) if layout.sealing else annotate(protocol, octets).rows,
    )


def _example(protocol: Protocol, layout: Layout, values: dict[str, Any]) -> bytes:
    """The example's octets, without tag and check where the frame is sealed."""
    if layout.sealing:
        return protocol.codec.body(layout.name, values)
    return protocol.encode(layout.name, values)


def _all_values(protocol: Protocol, layout: Layout, octets: bytes, values: dict[str, Any]) -> dict[str, Any]:
    """The example's values with the counts and flags that follow from them."""
    whole = protocol.codec.finished(octets + bytes(layout.tag_octets)) if layout.sealing else octets
    message = protocol.codec.decode(
        whole, None, lambda _layout, body, _tag: (body, 0)
    )  # nothing to open: not encrypted
    return {**values, **message.values}


def _lengths(layout: Layout) -> str:
    if layout.fixed:
        return "1 octet" if layout.octets == 1 else f"{layout.octets} octets"
    return f"{layout.least_octets}..{layout.octets} octets"


def _facts(protocol: Protocol, layout: Layout) -> list[str]:
    """What stands below a frame's name."""
    facts = [_lengths(layout)]
    if protocol.seal is not None:
        facts.append("sealed" if layout.sealing else "not sealed")
    if layout.message is not None:
        facts.append(f"message {layout.message}")
    if layout.interval_s is not None:
        size, unit = next((size, unit) for size, unit in _UNITS if layout.interval_s % size == 0 or size == 1)
        count = layout.interval_s / size
        facts.append(f"every {unit}" if count == 1 else f"every {float(count):g} {unit}{'s' if unit == 'day' else ''}")
    settings = radio(protocol)
    if settings:
        times = [air_time(settings.time_on_air_us(octets)) for octets in sorted({layout.least_octets, layout.octets})]
        facts.append(f"{' to '.join(times)} on air ({radio_settings(settings)})")
    return facts
