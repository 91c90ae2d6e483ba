"""`ullage simulate`: a receiver's log of invented stations, and the truth about each of its lines."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..progress import progress
from ..screen import Stop, command_line, load_spec, say, write_whole

if TYPE_CHECKING:
    from datetime import datetime

    from ullage import Protocol


def simulate(
    spec: Annotated[str, typer.Argument(metavar="SPEC", help="The spec file.")],
    out: Annotated[Path, typer.Option("-o", "--out", metavar="LOG", help="The log to write.")],
    frames: Annotated[
        int, typer.Option(metavar="N", min=1, max=1_000_000, help="How many frames the stations send.")
    ] = 1000,
    seed: Annotated[int, typer.Option(metavar="S", help="Where chance begins.")] = 1,
    truth: Annotated[Path | None, typer.Option(metavar="FILE", help="The truth to write, as JSON lines.")] = None,
    start: Annotated[str, typer.Option(metavar="TIME", help="When the log begins, UTC.")] = "2025-03-01T06:00:00",
    keys: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Sealed frames: the key file to write, of invented keys.")
    ] = None,
) -> None:
    """Write a log of invented stations, with the losses and damage that real ones have.

    Stations send every frame of the protocol; some are lost, damaged, cut or heard twice, stations restart with
    sequence number 0, neighbours are heard, and the receiver prints its own lines between. The same seed gives the
    same log.

    --truth writes what happened, as JSON lines: one object for each line of the log, with "line", "kind" (frame,
    repeat, damaged, foreign, cut, noise, blank), "must" (reading, refused, none: what a decoder has to say of it),
    "reason", and what was sent: "frame", "station", "values", "octets", "flipped" (damaged bits), "link". A frame
    that nobody heard is {"lost": true, ...}, a station that restarted {"restart": true, ...}.

    Sealed frames are sealed with keys that follow from the seed, so they are no secrets and only for this log; what
    must become of a line is then what a decoder with these keys says that has heard nothing before.

    \b
    Example:
      ullage simulate spec/orchard.toml --frames 1000 -o receiver.log --truth truth.jsonl
    """
    import json
    from collections import Counter

    from ullage.simulation.simulate import simulate as invent

    begin = _moment(start)
    _check_targets(spec, out, truth, keys)
    protocol = load_spec(spec)
    if keys is not None and protocol.seal is None:
        raise Stop(f"--keys {keys}: {protocol.name} has no sealed frames\n  help: leave it out")
    if keys is None and protocol.seal is not None:
        text = f"{protocol.name} has sealed frames, which nobody opens without keys"
        raise Stop(f"{text}\n  help: --keys FILE, where the invented keys are written")
    try:
        made = invent(protocol, frames, seed, begin)
        happenings = list(progress(made, frames, "simulating", lambda one: "frame" in one.truth))
    except ValueError as error:
        raise Stop(f"--start {start}: {error}") from None
    lines = [happening.text for happening in happenings if happening.text is not None]
    if keys is not None:
        _write_keys(keys, protocol, seed)
    if truth is not None:
        write_whole(truth, "".join(json.dumps(happening.truth) + "\n" for happening in happenings))
    write_whole(out, "".join(line + "\n" for line in lines))
    must = Counter(happening.truth.get("must") for happening in happenings)
    beside = f"; the truth is in {truth}" if truth is not None else ""
    found = f"{must['reading']} readings + {must['refused']} to refuse + {must['none']} without a frame"
    say(f"{out}: {len(lines)} lines = {found}{beside}")
    opened = () if keys is None else ("--keys", str(keys))
    say(f"next  {command_line('ullage', 'decode', spec, str(out), *opened)}")


def _write_keys(path: Path, protocol: "Protocol", seed: int) -> None:
    """Write the invented keys; a file that is there already stays as it is, and must hold the same."""
    from ullage.simulation.simulate import keys_of

    from ..keys import write_secret

    made = keys_of(protocol, seed)
    text = "\n".join(
        [
            "# Keys of the invented stations of ullage simulate: they follow from its seed, so they are no secrets.",
            "# Never give one of them to a real station.",
            "",
            "[keys]",
            *(f'{station} = "{key.octets.hex()}"' for station, key in made.items()),
            "",
        ]
    )
    if not path.is_file() or path.read_bytes() != text.encode():
        write_secret(path, text)


def _moment(text: str) -> "datetime":
    from datetime import UTC, datetime

    try:
        moment = datetime.fromisoformat(text)
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError):
        raise Stop(f"--start {text}: this is no date and time; for example 2025-03-01T06:00:00") from None


def _check_targets(spec: str, out: Path, truth: Path | None, keys: Path | None) -> None:
    """See that no file is written over another one of the same command, before any is written."""
    taken = {Path(spec).resolve(): "the spec"}
    for target, what in ((out, "the log"), (truth, "the truth"), (keys, "the key file")):
        if target is None:
            continue
        if str(target) == "-":
            raise Stop(f"{what} needs a file; - is none")
        if not target.parent.is_dir():
            raise Stop(f"{target.parent}: there is no such folder")
        if target.is_dir():
            raise Stop(f"{target}: this is a folder; give a file")
        other = taken.setdefault(target.resolve(), what)
        if other != what:
            raise Stop(f"{target}: {what} would be written over {other}")
