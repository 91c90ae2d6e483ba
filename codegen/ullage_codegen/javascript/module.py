"""One JavaScript module from a protocol: its frames as tables, and the engine that reads and writes by them.

The engine is the same text for every protocol (templates/engine_*.js); the tables come from `tables`. The data
sheet runs the very text that is emitted here, so nothing in it can end the script element it stands in. Deterministic.
"""

import functools
import re
import textwrap
from dataclasses import dataclass
from pathlib import Path

import jinja2

from ullage import Protocol, Status, __version__
from ullage.codes import reasons
from ullage.layout import Layout
from ullage.words.samples import sample

from ..c.diagram import strip
from ..c.text import said, slot_rows
from ..emitted import Emitted
from ..templating import environment
from .literal import literal
from .tables import frame_table, shared_tables, values_in_script

_ENGINE = ("bits", "numbers", "binary32", "decode", "encode", "lorawan")
_EXPORTS = (
    *("decode", "encode", "octetsOf", "decodeUplink", "encodeDownlink", "decodeDownlink"),
    *("EncodeError", "NAME", "REVISION", "FINGERPRINT"),
)
_TEMPLATES = Path(__file__).parent / "templates"
_WIDTH = 100


@dataclass(frozen=True)
class _Frame:
    """What the template says of one frame. table: its literal; rows: its slots in words, as in the C header."""

    layout: Layout
    lengths: str
    strip: list[str]
    rows: list[str]
    table: str


def emit_javascript(protocol: Protocol, spec_name: str) -> str:
    """Write the JavaScript module of a protocol.

    protocol: what the spec describes. spec_name: the spec's file name, for the first lines. Returns the module's text,
    the same for the same spec and tool version: ASCII, and able to stand in an HTML script element as it is.
    """
    sealed = {Status.NO_KEY} if any(layout.sealing for layout in protocol.frames.values()) else set()
    statuses = (Status.FINE, *sorted({*reasons(protocol), *sealed}), Status.OUT_OF_RANGE, Status.TOO_MANY)
    head = _environment().get_template("javascript_head.js.j2")
    text = head.render(
        p=protocol,
        file_name=_file_name(protocol),
        version=__version__,
        spec_name=spec_name,
        name=literal(protocol.name),
        example=_example(protocol),
        statuses=statuses,
        width=max(len(f"{status}: {int(status)},") for status in statuses),
        shared=literal(shared_tables(protocol), deep=1),
        frames=[_frame(protocol, number, layout) for number, layout in enumerate(protocol.frames.values())],
    )
    return text + engine() + f"\nexport {{ {', '.join(_EXPORTS)} }};\n"


def emitted_javascript(protocol: Protocol, spec_name: str) -> Emitted:
    """The module as a file to write; see `emit_javascript`."""
    remark = " · ".join(f"{layout.name} {_lengths(layout)}" for layout in protocol.frames.values())
    return Emitted(_file_name(protocol), emit_javascript(protocol, spec_name), remark)


@functools.cache
def engine() -> str:
    """What every module has: the functions that read and write by its tables."""
    return "\n".join((_TEMPLATES / f"engine_{part}.js").read_text(encoding="ascii") for part in _ENGINE)


def _file_name(protocol: Protocol) -> str:
    return f"{protocol.name}.mjs"


def _frame(protocol: Protocol, number: int, layout: Layout) -> _Frame:
    picture = [row.rstrip() for row in strip(layout)] if layout.fixed else []
    table = literal(frame_table(number, layout), indent=2)
    return _Frame(layout, _lengths(layout), picture, slot_rows(protocol, layout), table)


def _lengths(layout: Layout) -> str:
    if layout.fixed:
        return f"{layout.octets} octet{'s' if layout.octets != 1 else ''}"
    return f"{layout.least_octets}..{layout.octets} octets"


def _example(protocol: Protocol) -> list[str]:
    """The lines that encode a frame's sample, for the manual at the top; none where all frames are sealed."""
    layout = next((layout for layout in protocol.frames.values() if layout.sealing is None), None)
    if layout is None:
        return []
    values = literal(values_in_script(layout.entries, sample(layout)))
    call = f"const octets = encode({literal(layout.name)}, {values});"
    return textwrap.wrap(call, _WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def _inert(text: str) -> str:
    """Text for a comment that means nothing to HTML: no end and no start of a script, no HTML comment."""
    return re.sub(
        r"<(?=[/!a-z])|-->", lambda found: found[0].replace("<", "< ").replace("-->", "-- >"), text, flags=re.I
    )


@functools.cache
def _environment() -> jinja2.Environment:
    return environment(__file__, said=said, inert=_inert)
