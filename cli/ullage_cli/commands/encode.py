"""`ullage encode`: the octets of one message, for a first radio test or a test vector.

How values are typed is settled in `typed_values`; what is said about one that does not fit is the codec's.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..screen import Stop, columns, command_line, load_spec, say

if TYPE_CHECKING:
    from ullage import Protocol
    from ullage.layout import Layout


def encode(
    spec: Annotated[str, typer.Argument(metavar="SPEC", help="The spec file.")],
    frame: Annotated[str, typer.Argument(metavar="FRAME", help="Which frame.")],
    values: Annotated[
        list[str] | None, typer.Argument(metavar="NAME=VALUE", help="One for each field of the frame.")
    ] = None,
    c: Annotated[bool, typer.Option("--c", help="Print them as C writes them: {0x21, 0x01, ...}.")] = False,
    keys: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Keys for a sealed frame; else as ullage key --help says.")
    ] = None,
    counter: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The sender's counter: ullage key counter makes one.")
    ] = None,
) -> None:
    """Print the octets of one message, tag and CRC included.

    Numbers may carry the field's unit (distance=1234mm). Special codes and choices go by name, flags as yes or no,
    octets in hex, unix time in seconds or as 2025-11-25T06:24:11Z. Lists and groups are given by what is in them:
    readings[0].level=1233 extra.t=21.5. Without values: what the frame needs, and a command line to start from.

    A sealed frame also needs keys and a counter that never gives a number twice: a file that belongs to one station
    and is written before each frame. Source and sequence number follow from it.

    \b
    Example:
      ullage encode spec/orchard.toml level_report
    """
    from ullage import EncodeError

    from ..typed_values import texts_of, values_of

    protocol = load_spec(spec)
    layout = _frame(protocol, frame)
    if not values:
        raise Stop(_needs(spec, layout))
    texts = texts_of(values)
    given = values_of(layout, texts)
    if layout.sealing is None and (keys or counter):
        raise Stop(f"{frame} is not sealed\n  help: leave --keys and --counter out")
    try:
        sealed = layout.sealing is not None
        octets = _sealed(protocol, layout, given, keys, counter) if sealed else protocol.encode(frame, given)
    except EncodeError as error:
        raise Stop(_does_not_fit(error, texts)) from None
    say("{" + ", ".join(f"0x{octet:02x}" for octet in octets) + "}" if c else octets.hex(" "))


def _frame(protocol: "Protocol", name: str) -> "Layout":
    from ullage.names import nearest

    layout = protocol.frames.get(name)
    if layout is None:
        near = nearest(name, protocol.frames)
        help_text = f"{near}, perhaps" if near else f"it has {', '.join(protocol.frames)}"
        raise Stop(f"{protocol.name} has no frame {name!r}\n  help: {help_text}")
    return layout


def _sealed(
    protocol: "Protocol", layout: "Layout", values: dict[str, Any], keys: Path | None, counter: Path | None
) -> bytes:
    """The octets of a sealed frame, with a number that is used up by it. Raises Stop, EncodeError."""
    from ullage import Sender

    from ..counter_file import counter_in
    from ..keys import keys_of

    assert protocol.seal is not None
    for slot in layout.values:
        if slot.kind == "sequence" and slot.name in values:
            raise Stop(f"{slot.name}: the counter gives the number of a sealed frame\n  help: leave it out")
    known = keys_of(protocol, keys)
    if known is None or counter is None:
        text = f"{layout.name} is sealed, and that takes keys and a counter"
        raise Stop(f"{text}\n  help: --keys FILE --counter FILE; ullage key --help says how to make them")
    with counter_in(counter, protocol.seal.counter_bits) as (station, numbers):
        return Sender(protocol, station, known, numbers).encode(layout.name, values)


def _needs(spec: str, layout: "Layout") -> str:
    """What a frame needs, and a command line to start from."""
    from ullage.words.samples import sample

    from ..typed_values import needs, words_of

    own = {slot.name for slot in layout.values if layout.sealing and slot.kind in ("source", "sequence")}
    rows = [row for row in needs(layout.entries) if row[0] not in own]
    words = [word for word in words_of(layout, sample(layout)) if word.partition("=")[0] not in own]
    words += ["--keys", "keys.toml", "--counter", "counter.txt"] if layout.sealing else []
    many = f"{len(rows)} value{'s' if len(rows) != 1 else ''}" if layout.fixed else "these values"
    return "\n".join(
        [
            f"{layout.name} needs {many}:",
            *columns(rows, indent="  "),
            "for example:",
            f"  {command_line('ullage', 'encode', spec, layout.name, *words)}",
        ]
    )


def _does_not_fit(error: Any, texts: dict[str, str]) -> str:
    """The codec's refusal; where a value is at fault, that value as typed, and what would fit in a line of its own."""
    text = str(error)
    if error.status is not None and error.field in texts:
        text = f"{error.field}: {texts[error.field]} does not fit"
    return f"{text}\n  help: {error.help}" if error.help else text
