"""`ullage encode`: the octets of one message, for a first radio test or a test vector.

How values are typed is settled in `typed_values`; what is said about one that does not fit is the codec's.
"""

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
) -> None:
    """Print the octets of one message, CRC included.

    Numbers may carry the field's unit (distance=1234mm). Special codes and choices go by name, flags as yes or no,
    octets in hex, unix time in seconds or as 2025-11-25T06:24:11Z. Lists and groups are given by what is in them:
    readings[0].level=1233 extra.t=21.5. Without values: what the frame needs, and a command line to start from.

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
    try:
        octets = protocol.encode(frame, values_of(layout, texts))
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


def _needs(spec: str, layout: "Layout") -> str:
    """What a frame needs, and a command line to start from."""
    from ullage.words.samples import sample

    from ..typed_values import needs, words_of

    rows = list(needs(layout.entries))
    many = f"{len(rows)} value{'s' if len(rows) != 1 else ''}" if layout.fixed else "these values"
    return "\n".join(
        [
            f"{layout.name} needs {many}:",
            *columns(rows, indent="  "),
            "for example:",
            f"  {command_line('ullage', 'encode', spec, layout.name, *words_of(layout, sample(layout)))}",
        ]
    )


def _does_not_fit(error: Any, texts: dict[str, str]) -> str:
    """The codec's refusal; where a value is at fault, that value as typed, and what would fit in a line of its own."""
    text = str(error)
    if error.status is not None and error.field in texts:
        text = f"{error.field}: {texts[error.field]} does not fit"
    return f"{text}\n  help: {error.help}" if error.help else text
