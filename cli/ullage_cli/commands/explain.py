"""`ullage explain`: a frame octet by octet, accepted or refused, from hex digits or from a line of a log.

It tells what stands where and what the decoder said; it does not guess why a frame was damaged.
"""

import re
import sys
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..screen import WIDTH, Stop, columns, folded, load_spec, marked, quoted, say

if TYPE_CHECKING:
    from ullage import Message, Protocol, Refused, Status
    from ullage.seal.keys import Key
    from ullage.words.annotate import Annotation

_PLACE = re.compile(r"(?P<file>.+):(?P<line>\d{1,9})\Z", re.DOTALL)
_KEYS_HELP = "Here: --keys FILE."


@dataclass(frozen=True)
class _Receiving:
    """Who receives: its station, its keys, and the lowest number that it tries where a tag asks for one."""

    at: int | None
    keys: "Mapping[int | None, Key] | None"
    from_counter: int


class Notation(StrEnum):
    """How a receiver prints octets."""

    HEX = "hex"
    DECIMAL = "decimal"
    BASE64 = "base64"


def explain(
    spec: Annotated[str | None, typer.Argument(metavar="SPEC", help="The spec file.", show_default=False)] = None,
    octets: Annotated[
        list[str] | None, typer.Argument(metavar="HEX|FILE:LINE", help="Octets in hex, or a line of a log.")
    ] = None,
    at: Annotated[int | None, typer.Option("--at", metavar="N", help="The receiving station.")] = None,
    reason: Annotated[
        str | None, typer.Option("--reason", metavar="N|NAME", help="Say what a reason or status means.")
    ] = None,
    notation: Annotated[Notation, typer.Option("--as", help="How the log prints octets.")] = Notation.HEX,
    after: Annotated[str | None, typer.Option("--after", metavar="TEXT", help="Read the log only after TEXT.")] = None,
    skip: Annotated[int, typer.Option("--skip", metavar="N", min=0, max=255, help="Leave N octets out in front.")] = 0,
    keys: Annotated[
        Path | None, typer.Option("--keys", metavar="FILE", help="Open sealed frames with the keys of this file.")
    ] = None,
    from_counter: Annotated[
        int, typer.Option("--from-counter", metavar="N", min=0, help="The lowest number of a sealed frame to try.")
    ] = 0,
) -> None:
    """Show a frame octet by octet: bits, fields, readings, the CRC, and why it was refused if it was.

    \b
    Example:
      ullage explain spec/orchard.toml "21 01 11 00 09 01 d8 79 33 d7"
      ullage explain spec/orchard.toml receiver.log:4
      ullage explain --reason 13
    """
    if reason is not None:
        _print_reason(_status(reason))
        if not octets:
            return
        say()
    if spec is None:
        raise Stop("explain what?\n  help: ullage explain SPEC, and the octets in hex or FILE:LINE")
    from ..keys import keys_of

    protocol = load_spec(spec)
    receiving = _Receiving(at, keys_of(protocol, keys), from_counter)
    text = " ".join(octets or []).strip()
    if not text:
        raise Stop(f'no octets are given\n  help: ullage explain {quoted(spec)} "21 01 ...", or FILE:LINE')
    _print_frame(protocol, _octets(protocol, text, notation, after, skip, receiving), receiving)


# ---- where the octets are --------------------------------------------------------------------------------------


def _octets(
    protocol: "Protocol", text: str, notation: Notation, after: str | None, skip: int, receiving: _Receiving
) -> bytes:
    """The octets that a text gives or that stand in the line that it names."""
    from ullage.words.annotate import octets_of

    place = _PLACE.match(text)
    if place and Path(place["file"]).is_file():
        return _octets_of_line(protocol, place["file"], int(place["line"]), notation, after, skip, receiving)
    try:
        return octets_of(text)[skip:]
    except ValueError as error:
        if Path(text).is_file():
            raise Stop(f"{text}: which line?\n  help: {text}:1, for example") from None
        if place and not re.fullmatch(r"[\s0-9a-fA-F:,x]*", text):
            raise Stop(f"{place['file']}: there is no such file") from None
        raise Stop(f"{error}\n  help: octets in hex, like 21 01 11, or FILE:LINE") from None


def _octets_of_line(
    protocol: "Protocol",
    file: str,
    number: int,
    notation: Notation,
    after: str | None,
    skip: int,
    receiving: _Receiving,
) -> bytes:
    """The octets of a log's line that `decode` reads or refuses there."""
    from ullage import Refused
    from ullage.logs.lines import LineReader, Nothing

    try:
        reader = LineReader(protocol.shortest, notation.value, after, skip, protocol.integrity is not None)
    except ValueError as error:
        raise Stop(f"--after: {error}") from None
    text = _line(file, number)
    found = reader.judge(text, lambda octets: _decode(protocol, octets, receiving), Refused)
    if isinstance(found, Nothing):
        raise Stop(f"{file}:{number}: there is no frame in this line\n  {text.strip()[: WIDTH - 2]}")
    return found.octets


def _line(file: str, number: int) -> str:
    from ullage.logs.log_stream import split_lines

    last = 0
    with Path(file).open("rb") as stream:
        for line in split_lines(iter(lambda: stream.read(1 << 16), b"")):
            if line.number == number:
                return line.text
            last = line.number
    raise Stop(f"{file}: there is no line {number}; the last one is {last}")


def _decode(protocol: "Protocol", octets: bytes, receiving: _Receiving) -> "Message":
    from ullage import Receiver
    from ullage.seal.errors import SealError

    try:
        return Receiver(protocol, receiving.keys, receiving.from_counter).decode(octets, receiving.at)
    except SealError as error:
        raise Stop(str(error)) from None
    except ValueError as error:
        raise Stop(f"--at: {error}") from None


# ---- what is said about them -----------------------------------------------------------------------------------


def _print_frame(protocol: "Protocol", octets: bytes, receiving: _Receiving) -> None:
    from ullage.seal.errors import SealError
    from ullage.words.annotate import annotate

    try:
        told = annotate(protocol, octets, receiving.at, receiving.keys, receiving.from_counter)
    except SealError as error:
        raise Stop(str(error)) from None
    except ValueError as error:
        raise Stop(f"--at: {error}") from None
    if told.refused:
        _print_refusal(protocol, told.refused, octets, told)
    elif told.message:
        text = _accepted(protocol, told.message, len(octets))
        for line in textwrap.wrap(text + _sealed(protocol, told), WIDTH, subsequent_indent="  "):
            say(line)
    if told.note:
        say(told.note)
    say()
    _print_rows(told)


def _accepted(protocol: "Protocol", message: "Message", count: int) -> str:
    from ullage.layout import header_slot
    from ullage.words.annotate import reading

    text = f"fine: {message.frame}"
    for kind, word in (("source", "from"), ("destination", "to")):
        slot = header_slot(protocol.frames, kind)
        if slot:
            station = reading(slot, message[slot.name])
            text += f" {word} {station}" if station == "everybody" else f" {word} station {station}"
    return f"{text}, {count} octet{'s' if count != 1 else ''}"


def _sealed(protocol: "Protocol", told: "Annotation") -> str:
    """Whether a tag vouched for an accepted frame, where a protocol seals some."""
    if protocol.seal is None or told.message is None:
        return ""
    if not told.message.sealed:
        return "; not sealed: anyone with such a radio can send it"
    return f"; sealed with the key of {told.opened_with}, number {told.message.counter}"


def _print_refusal(protocol: "Protocol", refused: "Refused", octets: bytes, told: "Annotation") -> None:
    from ullage import Status

    reason = refused.reason
    text = f"{refused}."
    if not any(name and name in text.split()[0] for name in (refused.field, refused.frame)):  # a name keeps its letters
        text = text[:1].upper() + text[1:]
    if reason is Status.INTEGRITY and protocol.integrity:
        covered = len(octets) - protocol.check_octets - protocol.integrity.first_octet
        sent = f"{refused.raw or 0:0{2 * protocol.check_octets}x}"
        text = f"The {protocol.integrity.noun} sent is {sent}; the {covered} octets before it give {refused.expected}."
    for line in textwrap.wrap(f"refused: {reason}. {text}", WIDTH, subsequent_indent="  ", break_on_hyphens=False):
        say(marked(line, sys.stdout))
    rows = [[f"reason {int(reason)}", reason.meaning]]
    if refused.bit is not None and reason not in (Status.INTEGRITY, Status.WRONG_TAG):
        rows.append(["field", _place_of(protocol, refused, told.clear)])
    rows.append(["advice", f"{reason.advice} {_KEYS_HELP}" if reason is Status.NO_KEY else reason.advice])
    for line in folded(rows, indent="  "):
        say(line)


def _place_of(protocol: "Protocol", refused: "Refused", clear: bytes) -> str:
    """The field that was refused, and where it stands. clear: the octets in which it can be read."""
    from ullage import Status
    from ullage.words.extent import place_of

    octet, bit = divmod(refused.bit or 0, 8)
    where = f"from octet {octet}" + (f", bit {bit} of it" if bit else "")
    name = refused.field or "fill bits"
    if refused.frame and refused.reason is not Status.WRONG_LENGTH:
        name = place_of(protocol.frames[refused.frame], clear, refused.bit or 0) or name
    return f"{name}, {where} (bit {refused.bit} of the frame, counted from 0)"


def _print_rows(told: "Annotation") -> None:
    rows = [["octet", "hex", "bits", "field", "raw", "reading"]]
    for row in told.rows:
        octet = "" if row.octet is None else str(row.octet)
        rows.append([octet, row.hex, row.bits, row.name, row.raw, row.reading])
    for line in folded(rows, right=[4]):
        say(line)


def _status(text: str) -> "Status":
    """The status of a number, of its name, or of its name in a C header."""
    from ullage import Status

    word = text.strip().upper().replace("-", "_").replace(" ", "_")
    for status in sorted(Status, key=lambda status: -len(status.name)):
        if word == str(int(status)) or word == status.name or word.endswith(f"_{status.name}"):
            return status
    rows = [[str(int(status)), str(status), status.meaning] for status in Status]
    listed = "\n".join(columns(rows, right=[0], indent="  "))
    raise Stop(f"there is no reason {text!r}; these are all:\n{listed}")


def _print_reason(status: "Status") -> None:
    say(f"{int(status)} {status}: {status.meaning}")
    for line in textwrap.wrap(status.advice, WIDTH):
        say(line)
