"""The sheet as Markdown: the same content as text, rulers in code blocks, tables with pipes."""

import re
from collections.abc import Iterable, Iterator, Sequence

from ..c.diagram import RULER, rows
from .fields import FieldRow
from .model import Sheet, SheetFrame
from .rulers import Part, Strip
from .words import HATCHED, NUMBERINGS, PLACES, REFUSALS

_REGISTERS = " " + " ".join(str(7 - bit % 8) for bit in range(32))
_SPECIAL = re.compile(r"([\\`*_{}\[\]<>#|~])")


def sheet_markdown(sheet: Sheet) -> str:
    """Write the Markdown. sheet: what it says. Returns text, the same for the same spec and tool version."""
    return "\n".join(_lines(sheet)) + "\n"


def _lines(sheet: Sheet) -> Iterator[str]:
    p = sheet.protocol
    yield from (f"# {_plain(p.name)}, revision {p.revision}", "")
    if p.summary:
        yield from (_plain(p.summary), "")
    yield f"Fingerprint `{p.fingerprint}`. Both ends must show the same one."
    yield f"Written by ullage {sheet.version} from {_plain(sheet.spec_name)}."
    for frame in sheet.frames:
        yield from _frame(frame)
    yield from ("", "## How to read the tables", "")
    yield PLACES
    yield from ("", "## Stations", "", *(f"- {_plain(line)}" for line in sheet.stations))
    if sheet.sealing:
        yield from ("", "## Sealing", "", *(f"- {_plain(line)}" for line in sheet.sealing))
    yield from _answers(sheet)
    if sheet.check:
        noun = p.integrity.noun if p.integrity else ""
        yield from ("", f"## {noun}: {_plain(sheet.check_name)}", "")
        yield from _table(("name", "value"), [(name, _plain(value)) for name, value in sheet.check])
    yield from ("", "## Cautions", "", *(f"- {_plain(line)}" for line in sheet.cautions), "", _plain(sheet.defer))
    yield from ("", f"## {_plain(sheet.spec_name)}", "", *_code(sheet.spec.decode("utf-8", "replace"), "toml"))


def _frame(frame: SheetFrame) -> Iterator[str]:
    yield from ("", f"## {_plain(frame.name)}", "")
    if frame.layout.summary:
        yield from (_plain(frame.layout.summary), "")
    yield from (_plain(" · ".join(frame.facts)), "")
    yield from _code("\n".join(_rulers(frame)), "text")
    hatched = f" {HATCHED[1]}" if frame.hidden else ""
    yield from ("", f"{NUMBERINGS[0]} {NUMBERINGS[1]}{hatched}", "")
    head = ("field", "octet", "bits", "wide", "range", "step", "unit", "codes", "example")
    yield from _table(head, [_field(row) for row in frame.fields])
    yield from ("", f"{frame.example_title}: `{frame.example.hex(' ')}`", "")
    told = [
        ("" if row.octet is None else str(row.octet), row.hex, row.bits, row.name, row.raw, row.reading)
        for row in frame.rows
    ]
    yield from _code("\n".join(_columns([("octet", "hex", "bits", "field", "code", "reading"), *told])), "text")


def _rulers(frame: SheetFrame) -> Iterator[str]:
    yield from (*RULER, _REGISTERS)
    yield from _part_rulers(frame.parts, "")


def _part_rulers(parts: Iterable[Part], indent: str) -> Iterator[str]:
    for part in parts:
        if isinstance(part, Strip):
            hatched = {cell.offset for cell in part.cells if cell.hidden}
            cells = [(cell.name, cell.offset, cell.bits) for cell in part.cells]
            yield from (indent + line for line in rows(cells, hatched))
        else:
            yield indent + (f"{part.name}: {part.caption}" if part.name else f"({part.caption})")
            yield from _part_rulers(part.parts, indent + "  ")


def _field(row: FieldRow) -> tuple[str, ...]:
    about = f" {_plain(row.about)}" if row.about else ""
    name = f"{'↳ ' * row.depth}**{_plain(row.name)}**{about}"
    if row.id is None:
        return (name, *[""] * 6, _plain(row.codes[0]), "")
    bits = f"{row.bits} ({row.register})" if row.bits else "–"
    codes = "<br>".join(map(_plain, row.codes))
    example = "<br>".join(map(_plain, row.example))
    return (name, row.octets or "–", bits, row.wide, row.range, row.step, _plain(row.unit), codes, example)


def _answers(sheet: Sheet) -> Iterator[str]:
    yield from ("", "## When a frame is refused", "")
    yield REFUSALS
    for advice in sheet.advice:
        yield from ("", f"**{advice.todo}**", "")
        for reason in advice.reasons:
            yield f"- `{reason.name}` {reason.number}. {_plain(reason.meaning)} {_plain(reason.advice)}"


def _table(head: Sequence[str], body: Sequence[Sequence[str]]) -> Iterator[str]:
    yield f"| {' | '.join(head)} |"
    yield f"|{'---|' * len(head)}"
    yield from (f"| {' | '.join(cells)} |" for cells in body)


def _columns(table: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(row[place]) for row in table) for place in range(len(table[0]))]
    for row in table:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _code(text: str, kind: str) -> tuple[str, ...]:
    """A code block whose fence no line of the text can close."""
    longest = max((len(run) for run in re.findall(r"`{3,}", text)), default=2)
    fence = "`" * max(3, longest + 1)
    return (f"{fence}{kind}", *text.rstrip("\n").split("\n"), fence)


def _plain(text: str) -> str:
    """Free text on one line, with what Markdown would take as marks made harmless."""
    return _SPECIAL.sub(r"\\\1", " ".join(text.split()))
