"""`ullage begin`: a commented spec to edit, and the two commands that come next."""

from pathlib import Path
from typing import Annotated

import typer

from ..screen import Stop, columns, quoted, say

_PLACE_OF_NAME = "NAME_OF_THIS"


def begin(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The protocol's name; the file is NAME.toml.")],
    folder: Annotated[Path, typer.Option("-o", metavar="DIR", help="The folder to write to.")] = Path(),
) -> None:
    """Write a commented spec to edit. Nothing is ever overwritten.

    \b
    Example:
      ullage begin tank
    """
    from importlib import resources

    import ullage
    from ullage.names import fault_in_protocol_name

    name = name.removesuffix(".toml")
    fault = fault_in_protocol_name(name)
    if fault:
        raise Stop(f"{fault[0]}\n  help: {fault[1]}")
    template = resources.files("ullage_cli").joinpath("templates", "begin.toml").read_text("utf-8")
    text = template.replace(_PLACE_OF_NAME, name)
    layout = next(iter(ullage.loads(text).frames.values()))
    path = folder / f"{name}.toml"
    _write_new(path, text)
    word = quoted(str(path))
    about = f"a level report over LoRa, {layout.octets} octets: edit the numbers, every line says what it does"
    for line in columns(
        [
            [str(path), about],
            ["next", f"ullage check {word}"],
            ["", f"ullage emit c {word} -o {quoted(str(folder))}"],
        ]
    ):
        say(line)


def _write_new(path: Path, text: str) -> None:
    """Write a file that does not exist yet; two that begin at once cannot both succeed."""
    try:
        with path.open("x", encoding="utf-8", newline="\n") as out:
            out.write(text)
    except FileExistsError:
        raise Stop(
            f"{path}: this is there already, and nothing was written\n"
            "  help: another name, or another folder with -o DIR"
        ) from None
    except FileNotFoundError:
        raise Stop(f"{path.parent}: there is no such folder") from None
