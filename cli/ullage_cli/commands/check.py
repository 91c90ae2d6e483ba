"""`ullage check`: the faults of a spec with their places, or what each of its frames says and costs.

With --json it prints exactly one JSON document, a list with one object for each file:
  a faulty file  {"file", "faults": [{"code", "path", "line", "column", "span", "text", "note", "help"}]}
                 path is a list of keys and positions counted from 0; line and column count from 1; span is the number
                 of characters meant from there on, 0 for none; note and help may be null
  a sound file   {"file", "name", "revision", "summary", "fingerprint", "fingerprint_input", "seal", "frames", "advice"}
    advice       as faults
    seal         null where no frame is sealed, else {"key_bits", "tag_octets", "nonce", "network", "network_octets",
                 "hub", "counter_bits", "resync", "group_key", "reserve"}
    frames       [{"name", "message", "octets", "least_octets", "summary", "interval_s", "sealing", "entries"}]: the
                 longest and the shortest frame, which are the same in most; sealing is null where anybody can send
                 the frame, else {"first_octet": first encrypted one or null, "tag_octets"}
    entries      [{"name", "kind", "offset", "bits", "low_first", ..., "summary", "role"}], offset in bits from the
                 frame's first, null where it depends on what is sent; "" is the name of fill bits; numbers have also
                 "raw" [first, last], "signed", "step", "unit", "zero", "range", "special" {name: code}, "clamp",
                 "epoch", "broadcast", "counter_bits"; codes have "codes" {name: code}, text and octets "octets", what
                 never changes "value", binary32 "unit", length "covers";
                 or a list or group: {"name", "kind", "entries", "summary"} with "counted_by", "item_octets" (null:
                 it counts items), "least", "at_most", or with "when"
With --deployed a sound file has also "deployed", a list of what `ullage compare --json` says of each deployed spec.
Quantities are exact decimal text, codes are numbers (special codes as unsigned bit patterns).
"""

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..screen import Stop, faults_counted, folded, joined, marked, quoted, say, spec_text

if TYPE_CHECKING:
    from ullage import Fault, Protocol, SpecError
    from ullage.layout import Layout
    from ullage.revisions.compare import Comparison

    from ..comparing.given import Given


def check(
    specs: Annotated[list[str], typer.Argument(metavar="SPEC", help="Spec files, or folders of them.")],
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead.")] = False,
    folder: Annotated[
        str | None, typer.Option("--deployed", metavar="DIR", help="Hold the spec against those in this folder, too.")
    ] = None,
) -> None:
    """Show the faults of specs, or what each frame says, octet by octet, and what it costs on the air.

    The exit code is 1 when a spec has faults, or when --deployed finds what `compare` would.

    \b
    Example:
      ullage check spec/orchard.toml
      ullage check spec/orchard.toml --deployed deployed/
    """
    import ullage

    if folder is not None and len(specs) != 1:
        raise Stop("--deployed: give one spec with it")

    files = dict.fromkeys(file for spec in specs for file in _files(spec))
    results: list[tuple[str, Protocol | SpecError]] = []
    for file in files:
        try:
            results.append((file, ullage.load(file)))
        except ullage.SpecError as error:
            results.append((file, error))
    held = [_held(file, result, folder) for file, result in results]
    if json:
        _print_json(results, held)
    else:
        for place, (file, result) in enumerate(results):
            if place:
                say()
            if isinstance(result, ullage.SpecError):
                _print_faults(result)
            else:
                _print_protocol(file, result)
                _print_deployed(held[place])
    faulty = any(isinstance(result, ullage.SpecError) for _, result in results)
    if faulty or any(comparison.finding for one in held for _, comparison in one):
        raise typer.Exit(1)


def _held(file: str, result: "Protocol | SpecError", folder: str | None) -> "list[tuple[Given, Comparison]]":
    """The spec against each deployed one; nothing where it has faults or no folder was given."""
    from ullage import SpecError

    if folder is None or isinstance(result, SpecError):
        return []
    if Path(file).is_dir():
        raise Stop("--deployed: give one spec with it")
    from ullage.revisions.compare import compare

    from ..comparing.given import deployed

    return [(one, compare(one.protocol, result)) for one in deployed(folder, result.name)]


def _print_deployed(held: "list[tuple[Given, Comparison]]") -> None:
    from ..comparing.table import in_one_line

    for number, (one, comparison) in enumerate(held):
        if not number:
            say("\ndeployed")
        line = in_one_line(comparison, one)
        say(marked(line, sys.stdout) if comparison.finding else line)


def _files(spec: str) -> list[str]:
    path = Path(spec)
    if not path.is_dir():
        if not path.exists():
            raise Stop(f"{spec}: there is no such file")
        return [spec]
    found = sorted(str(file) for file in path.glob("*.toml") if file.is_file())
    if not found:
        raise Stop(f"{spec}: there is no .toml file in this folder")
    return found


def _print_json(
    results: "list[tuple[str, Protocol | SpecError]]", held: "list[list[tuple[Given, Comparison]]]"
) -> None:
    import json

    whole = [_data(file, result) for file, result in results]
    for data, comparisons in zip(whole, held, strict=True):
        if comparisons:
            from ullage.revisions.as_data import as_data

            data["deployed"] = [{"file": one.name, **as_data(comparison)} for one, comparison in comparisons]
    say(json.dumps(whole, indent=2))


def _data(file: str, result: "Protocol | SpecError") -> dict[str, Any]:
    from ullage import SpecError
    from ullage.spec.advice import advice
    from ullage.words.layout_data import as_data, seal_data

    if isinstance(result, SpecError):
        return {"file": file, "faults": [_fault_data(fault) for fault in result.faults]}
    return {
        "file": file,
        "name": result.name,
        "revision": result.revision,
        "summary": result.summary,
        "fingerprint": result.fingerprint,
        "fingerprint_input": result.fingerprint_input,
        "seal": seal_data(result),
        "frames": as_data(result),
        "advice": [_fault_data(item) for item in advice(result, spec_text(file))],
    }


def _fault_data(fault: "Fault") -> dict[str, Any]:
    return {key: getattr(fault, key) for key in ("code", "path", "line", "column", "span", "text", "note", "help")}


def _print_faults(error: "SpecError") -> None:
    for line in error.lines():
        say(marked(line, sys.stdout) if line.startswith(error.source) else line)
    say()
    say(faults_counted(error))


def _print_protocol(file: str, protocol: "Protocol") -> None:
    from ullage.words.describe import radio, radio_settings
    from ullage.words.seal_words import seal_words

    head = f"{protocol.name}, revision {protocol.revision}"
    for line in joined([head, _one_line(protocol.summary)] if protocol.summary else [head], "  "):
        say(line)
    settings = radio(protocol)
    on_air = [f"on air with {radio_settings(settings)}"] if settings else []
    for line in joined([f"fingerprint {protocol.fingerprint}", *on_air]):
        say(line)
    for line in joined(seal_words(protocol), "  "):
        say(line)
    for layout in protocol.frames.values():
        say()
        _print_frame(file, protocol, layout)
    _print_advice(file, protocol)


def _print_advice(file: str, protocol: "Protocol") -> None:
    from ullage.snippet import rendered
    from ullage.spec.advice import advice

    text = spec_text(file)
    for place, item in enumerate(advice(protocol, text)):
        say() if place else say("\nadvice")
        for number, line in enumerate(rendered(item, file, text)):
            say(line if number else marked(line, sys.stdout))


def _print_frame(file: str, protocol: "Protocol", layout: "Layout") -> None:
    from ullage.words.annotate import sample
    from ullage.words.describe import air_time, air_times, describe, next_octet, numbers, radio

    length = numbers(layout.least_octets, layout.octets)
    parts = [f"{layout.name}  {length} octet{'s' if layout.octets != 1 else ''}"]
    if protocol.seal is not None:
        parts.append("sealed" if layout.sealing else "not sealed")
    settings = radio(protocol)
    if settings and layout.fixed:
        parts += [f"{air_time(settings.time_on_air_us(layout.octets))} on air", next_octet(settings, layout.octets)]
    elif settings:
        times = (settings.time_on_air_us(count) for count in (layout.least_octets, layout.octets))
        parts.append(f"{air_times(*times)} on air")
    for line in joined(parts, "  "):
        say(line)
    if layout.summary:
        for line in folded([["", _one_line(layout.summary)]]):
            say(line)
    rows = [["octet", "bits", "field", "reading", "codes"]]
    for item in describe(layout, protocol.integrity):
        octet = ".." if not item.placed else "" if item.octet is None else str(item.octet)
        codes = re.sub(r"(?<=\d) (?=[a-z])", "\xa0", item.codes)  # a code and its name stay on one line
        rows.append([octet, str(item.bits or ""), "  " * item.depth + item.name, item.reading, codes])
    for line in folded(rows, right=[1], indent="  "):
        say(line)
    if layout.sealing is None:
        _print_example(file, protocol.encode(layout.name, sample(layout)))
        return
    octets = protocol.codec.body(layout.name, sample(layout)).hex(" ")  # a whole frame would need somebody's key
    for line in folded([["example", f"{octets} before it is sealed"]], indent="  "):
        say(line)


def _print_example(file: str, octets: bytes) -> None:
    command = f'ullage explain {quoted(file)} "{octets.hex(" ")}"'
    if len(command) > 85:
        command = f"ullage explain {quoted(file)} {octets.hex()}"
    for line in folded([["example", octets.hex(" ")]], indent="  "):
        say(line)
    say(f"           {command}")


def _one_line(text: str) -> str:
    return " ".join(text.split())
