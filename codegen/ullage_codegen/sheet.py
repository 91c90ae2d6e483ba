"""A data sheet: everything about a protocol on one page for people, as HTML that decodes, or as Markdown.

`model` collects what both say, so that both say the same; nothing in it depends on the day or the machine.
"""

from dataclasses import dataclass
from typing import Any

from ullage import Protocol, __version__
from ullage.layout import Layout
from ullage.words.annotate import Row, annotate
from ullage.words.describe import air_time, radio, radio_settings
from ullage.words.samples import sample

from . import sheet_words
from .sheet_fields import FieldRow, check_words, field_rows
from .sheet_rulers import Part, keys, parts
from .sheet_svg import ROOM

_UNITS = ((86_400, "day"), (3600, "h"), (60, "min"), (1, "s"))


@dataclass(frozen=True)
class SheetFrame:
    """One frame. number: its place in the protocol. example: octets of the worked example, and told as rows."""

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
    defer: str = sheet_words.DEFER
    version: str = __version__


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
    )


def _frame(protocol: Protocol, layout: Layout, number: int) -> SheetFrame:
    values = sample(layout)
    octets = protocol.encode(layout.name, values)
    noun = protocol.integrity.noun if protocol.integrity else ""
    keyed = keys(layout, number, ROOM)
    fields = field_rows(protocol, layout, number, keyed, _all_values(protocol, octets, values))
    return SheetFrame(
        number,
        layout,
        _lengths(layout),
        tuple(_facts(protocol, layout)),
        parts(layout, number, noun, keyed),
        fields,
        tuple(row for row in fields if row.key),
        octets,
        annotate(protocol, octets).rows,
    )


def _all_values(protocol: Protocol, octets: bytes, values: dict[str, Any]) -> dict[str, Any]:
    """The example's values with the counts and flags that follow from them."""
    return {**values, **protocol.decode(octets).values}


def _lengths(layout: Layout) -> str:
    if layout.fixed:
        return "1 octet" if layout.octets == 1 else f"{layout.octets} octets"
    return f"{layout.least_octets}..{layout.octets} octets"


def _facts(protocol: Protocol, layout: Layout) -> list[str]:
    """What stands below a frame's name."""
    facts = [_lengths(layout)]
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
