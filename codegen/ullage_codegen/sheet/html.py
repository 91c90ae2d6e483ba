"""The sheet as one HTML page that needs nothing else: style, program and spec are inside it.

The program is the emitted JavaScript module as it is, with what drives the page behind it: the page decodes by the
very text that `emit javascript` gives.

The page's own policy lets only these very scripts and styles run, by their hashes, and no network at all.
"""

import base64
import functools
import hashlib
from pathlib import Path

import jinja2

from ullage.spec.embedded import element

from ..javascript.module import emit_javascript
from ..templating import environment
from . import words as sheet_words
from .model import Sheet
from .rulers import Block, Strip
from .svg import svg

_TEMPLATES = Path(__file__).parent / "templates"


def sheet_html(sheet: Sheet) -> str:
    """Write the page. sheet: what it says. Returns the HTML text, the same for the same spec and tool version."""
    style = _file("sheet.css")
    program = emit_javascript(sheet.protocol, sheet.spec_name) + "\n" + _file("sheet.js")
    return (
        _environment()
        .get_template("sheet.html.j2")
        .render(
            sheet=sheet,
            p=sheet.protocol,
            words=sheet_words,
            style=style,
            program=program,
            style_hash=_hash(style),
            program_hash=_hash(program),
            spec_element=element(sheet.spec_name, sheet.spec),
            spec_text=sheet.spec.decode("utf-8", "replace").removeprefix("\ufeff"),
            svg=svg,
            is_strip=lambda part: isinstance(part, Strip),
            is_block=lambda part: isinstance(part, Block),
        )
    )


@functools.cache
def _file(name: str) -> str:
    return (_TEMPLATES / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """The hash of an inline script or style as a policy writes it (W3C Content Security Policy Level 3, 2.3.1)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")


@functools.cache
def _environment() -> jinja2.Environment:
    return environment(__file__, escape=True)
