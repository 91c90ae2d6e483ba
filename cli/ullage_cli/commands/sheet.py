"""`ullage sheet`: everything about a protocol on one page for people; the HTML page decodes what is pasted into it."""

from pathlib import Path
from typing import Annotated

import typer

from ..screen import Stop, load_spec, say, write_whole

_FORMS = (".html", ".htm", ".md")


def sheet(
    spec: Annotated[str, typer.Argument(metavar="SPEC", help="The spec file, or a sheet that carries it.")],
    out: Annotated[
        Path, typer.Option("-o", "--out", metavar="FILE", help="The page to write: .html, or .md for text.")
    ],
) -> None:
    """Write a data sheet: rulers, fields, a worked example, answers, check, cautions.

    The HTML page needs nothing else and no network. It decodes hex that is pasted into it, and carries the spec: every
    command takes the page in the place of the spec. The text (.md) says the same.

    \b
    Example:
      ullage sheet spec/orchard.toml -o orchard.html
    """
    from ullage.spec.embedded import carried

    kind = out.suffix.lower()
    if kind not in _FORMS:
        raise Stop(f"{out}: give a name that ends in .html or .md")
    protocol = load_spec(spec)
    octets = Path(spec).read_bytes()
    inside = carried(octets)
    name, text = (inside.name, inside.text) if inside else (Path(spec).name, octets)

    from ullage_codegen.sheet.model import model

    page = model(protocol, name, text)
    if kind == ".md":
        from ullage_codegen.sheet.markdown import sheet_markdown

        write_whole(out, sheet_markdown(page))
    else:
        from ullage_codegen.sheet.html import sheet_html

        write_whole(out, sheet_html(page))
    frames = f"{len(protocol.frames)} frame{'s' if len(protocol.frames) != 1 else ''}"
    pastes = "" if kind == ".md" else " · paste hex into it"
    say(f"{out} · {protocol.name}, revision {protocol.revision}, {frames}, fingerprint {protocol.fingerprint}{pastes}")
