"""`ullage decode`: what the lines of receivers' logs say, for people as a table and for programs as JSON or CSV."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class Notation(StrEnum):
    """How a receiver prints octets."""

    HEX = "hex"
    DECIMAL = "decimal"
    BASE64 = "base64"


def decode(
    spec: Annotated[str, typer.Argument(metavar="SPEC", help="The spec file.")],
    files: Annotated[
        list[str] | None, typer.Argument(metavar="FILE", help="Logs; - is standard input, also when none is given.")
    ] = None,
    at: Annotated[
        int | None, typer.Option(metavar="N", help="Receiving station; frames for others are refused.")
    ] = None,
    sources: Annotated[
        list[int] | None, typer.Option("--from", metavar="N", help="Show only this sender; may be given again.")
    ] = None,
    frames: Annotated[
        list[str] | None, typer.Option("--frame", metavar="NAME", help="Show only this frame; may be given again.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="One JSON object a frame.")] = False,
    csv: Annotated[bool, typer.Option("--csv", help="CSV of one --frame, or of each frame with -o.")] = False,
    out: Annotated[
        Path | None,
        typer.Option("-o", "--out", metavar="DIR", help="With --csv: a file a frame in this folder."),
    ] = None,
    every_line: Annotated[bool, typer.Option("--all", help="With --json: lines without a frame too.")] = False,
    strict: Annotated[bool, typer.Option("--strict", help="Exit code 1 if any frame was refused.")] = False,
    allow_refused: Annotated[
        str | None, typer.Option(metavar="PERCENT", help="Exit code 1 if more of the frames were refused: 2%.")
    ] = None,
    notation: Annotated[Notation, typer.Option("--as", help="How octets are printed.")] = Notation.HEX,
    after: Annotated[str | None, typer.Option(metavar="TEXT", help="Octets stand only after this text.")] = None,
    skip: Annotated[
        int, typer.Option(metavar="N", min=0, max=255, help="Octets that a radio driver put in front of each frame.")
    ] = 0,
    quiet: Annotated[bool, typer.Option("--quiet", help="Only the summary.")] = False,
    keys: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Keys that open sealed frames; else as ullage key --help says.")
    ] = None,
    from_counter: Annotated[
        int | None,
        typer.Option(metavar="N", min=0, help="Sealed stations of which nothing is known count from here on."),
    ] = None,
    state: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Numbers accepted so far: read before, written after; one run at a time."),
    ] = None,
) -> None:
    """Read the frames in the lines of receivers' logs, and say why others were refused.

    Dates, times and figures such as RSSI=-97 are known; octets may be written in any usual way. The summary counts
    every line once and names, for each reason, the command that explains its first case. With --json and --csv it
    goes to standard error. A line is shown as soon as it is there: tail -f receiver.log | ullage decode SPEC

    With keys, sealed frames are opened and repeats refused, also in a log that begins in the middle; --from-counter is
    needed only where more numbers went by than the spec's resync bridges. Without --state every run begins without
    memory, and accepts once more what an earlier one accepted.

    \b
    Example:
      ullage decode spec/orchard.toml receiver.log
    """
    from ..decoding.run import Wish, run

    wish = Wish(
        spec=spec,
        files=tuple(files or ["-"]),
        at=at,
        sources=frozenset(sources or ()),
        frames=tuple(frames or ()),
        json=json,
        csv=csv,
        folder=out,
        every_line=every_line,
        strict=strict,
        allow_refused=allow_refused,
        notation=notation.value,
        after=after,
        skip=skip,
        quiet=quiet,
        keys=keys,
        from_counter=from_counter,
        state=state,
    )
    raise typer.Exit(run(wish))
