"""`ullage emit`: write out what others need from a spec. Each command makes whole files, or with --verify none."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..screen import Stop, load_spec, say, write_whole

if TYPE_CHECKING:
    from ullage import Protocol
    from ullage_codegen.emitted import Emitted

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Write out what others need: emit c SPEC -o DIR.")

Spec = Annotated[str, typer.Argument(metavar="SPEC", help="The spec file.", show_default=False)]
Out = Annotated[str, typer.Option("-o", "--out", help="The folder to write into, or - to print.", metavar="DIR")]
Verify = Annotated[
    bool, typer.Option("--verify", help="Write nothing; exit 1 when a file in DIR must be emitted again.")
]


@app.callback()
def emit() -> None:
    """Write out what others need from a spec."""


@app.command("c", epilog="Example: ullage emit c spec/orchard.toml -o node/")
def emit_c(
    spec: Spec,
    out: Out = ".",
    verify: Verify = False,
    older: Annotated[
        str | None,
        typer.Option("--older", metavar="SPEC", help="The spec of an older revision that the header shall read too."),
    ] = None,
    self_test: Annotated[
        bool, typer.Option("--self-test", help="Also write a program that tries the header on the target.")
    ] = False,
) -> None:
    """Write one C header with encoder and decoder of every frame.

    C99 and C++11, no heap, no floating point, no library; for 8-, 16- and 32-bit parts.
    """
    from ullage_codegen.c.header import emitted_c

    before = load_spec(older) if older else None

    def make(protocol: "Protocol", name: str) -> "list[Emitted]":
        files = [emitted_c(protocol, name, before)]
        if self_test:
            from ullage_codegen.c.self_test import emitted_self_test

            files.append(emitted_self_test(protocol, name))
        return files

    _emit(spec, out, verify, make)


@app.command("python", epilog="Example: ullage emit python spec/orchard.toml -o gateway/")
def emit_python(spec: Spec, out: Out = ".", verify: Verify = False) -> None:
    """Write one Python module that reads and writes the frames with the standard library alone."""
    from ullage_codegen.python.module import emitted_python

    _emit(spec, out, verify, lambda protocol, name: [emitted_python(protocol, name)])


@app.command("javascript", epilog="Example: ullage emit javascript spec/orchard.toml -o server/")
def emit_javascript(spec: Spec, out: Out = ".", verify: Verify = False) -> None:
    """Write one JavaScript module that reads and writes the frames, also as a LoRaWAN payload codec (TS013)."""
    from ullage_codegen.javascript.module import emitted_javascript

    _emit(spec, out, verify, lambda protocol, name: [emitted_javascript(protocol, name)])


@app.command("vectors", epilog="Example: ullage emit vectors spec/orchard.toml -o tests/")
def emit_vectors(spec: Spec, out: Out = ".", verify: Verify = False) -> None:
    """Write test vectors as JSON: values with their octets, and octets with the reason why they are refused."""
    from ullage_codegen.vectors.document import emitted_vectors

    _emit(spec, out, verify, lambda protocol, name: [emitted_vectors(protocol, name)])


@app.command("rules", epilog="Example: ullage emit rules -o .")
def emit_rules(out: Out = ".") -> None:
    """Write ullage.cmake and ullage.mk, by which a build writes a spec's header again when the spec has changed.

    They belong to your project and are kept in it; what they offer stands at their top.
    """
    from ullage_codegen.rules import emitted_rules

    _write(emitted_rules(), out)


def _emit(spec: str, out: str, verify: bool, make: "Callable[[Protocol, str], Sequence[Emitted]]") -> None:
    """Make the files of a spec, then write, print or verify them. make: protocol, the spec file's name -> files."""
    protocol = load_spec(spec)
    files = make(protocol, Path(spec).name)
    if verify:
        findings = [_finds(Path(out) / file.file_name, file.text) for file in files]
        if any(findings):
            raise typer.Exit(1)
    else:
        _write(files, out)
        if out != "-":
            say(f"fingerprint {protocol.fingerprint}: both ends must show the same one")


def _write(files: "Sequence[Emitted]", out: str) -> None:
    """Write files into a folder, each whole or not at all, and say so; or print them."""
    if out == "-":
        for file in files:
            say(file.text.removesuffix("\n"))
        return
    if not Path(out).is_dir():
        raise Stop(f"{out}: there is no such folder")
    for file in files:
        path = Path(out) / file.file_name
        write_whole(path, file.text)
        say(f"{path} · {file.remark}" if file.remark else str(path))


def _finds(path: Path, text: str) -> bool:
    """Say how a written file stands to what would be written now. Returns whether it must be emitted again."""
    from ullage_codegen.verify import verify

    if not path.is_file():
        say(f"{path}: there is no such file; emit it")
        return True
    verdict = verify(path.read_text(encoding="utf-8", errors="replace"), text)
    say(f"{path}: {verdict.lines[0]}")
    for line in verdict.lines[1:]:
        say(f"  {line}")
    return verdict.finding
