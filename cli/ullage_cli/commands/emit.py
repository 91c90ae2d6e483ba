"""`ullage emit`: write out what others need from a spec; for now the C header."""

from pathlib import Path

import typer

from ..screen import Stop, load_spec, say, write_whole

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Write out what others need: emit c SPEC -o DIR.")


@app.callback()
def emit() -> None:
    """Write out what others need from a spec."""


@app.command("c", epilog="Example: ullage emit c spec/orchard.toml -o node/")
def emit_c(
    spec: str = typer.Argument(..., help="The spec file.", show_default=False),
    out: str = typer.Option(".", "-o", "--out", help="The folder for the header, or - to print it.", metavar="DIR"),
    verify: bool = typer.Option(
        False, "--verify", help="Write nothing; exit 1 when the header in DIR must be emitted again."
    ),
) -> None:
    """Write one C header with encoder and decoder of every frame.

    C99 and C++11, no heap, no floating point, no library; for 8-, 16- and 32-bit parts.
    """
    from ullage_codegen.cheader import model, render

    protocol = load_spec(spec)
    header = model(protocol)
    text = render(header, Path(spec).name)
    if verify:
        _verify(Path(out) / header.file_name, text)
    elif out == "-":
        say(text.removesuffix("\n"))
    else:
        if not Path(out).is_dir():
            raise Stop(f"{out}: there is no such folder")
        path = Path(out) / header.file_name
        write_whole(path, text)
        frames = " · ".join(f"{layout.name} {layout.octets} octets" for layout in protocol.frames.values())
        say(f"{path} · {frames}")
        say(f"fingerprint {protocol.fingerprint}: both ends must show the same one")


def _verify(path: Path, text: str) -> None:
    from ullage_codegen.verify import verify

    if not path.is_file():
        raise Stop(f"{path}: there is no such file; emit it", 1)
    verdict = verify(path.read_text(encoding="utf-8", errors="replace"), text)
    say(f"{path}: {verdict.lines[0]}")
    for line in verdict.lines[1:]:
        say(f"  {line}")
    if verdict.finding:
        raise typer.Exit(1)
