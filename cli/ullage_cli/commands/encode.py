"""`ullage encode`: the octets of one message, for a first radio test or a test vector.

Numbers go to the codec as the text that was typed, so nothing passes through a binary float. What is said about a
value that does not fit is the codec's; only names, units and the ways to write a value are settled here.
"""

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..screen import Stop, columns, load_spec, quoted, say

if TYPE_CHECKING:
    from ullage import Protocol
    from ullage.layout import Layout, Scaled, Slot

_NUMBER = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+|/\d+)?)\s*(.*?)\s*\Z")
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT.*\Z")
_TRUTHS = {"true": True, "yes": True, "on": True, "1": True, "false": False, "no": False, "off": False, "0": False}


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
    octets in hex, unix time in seconds or as 2025-11-25T06:24:11Z. Without values: what the frame needs, and a command
    line to start from.

    \b
    Example:
      ullage encode spec/orchard.toml level_report
    """
    from ullage import EncodeError

    protocol = load_spec(spec)
    layout = _frame(protocol, frame)
    if not values:
        raise Stop(_needs(spec, layout))
    texts = _texts(values)
    try:
        octets = protocol.encode(frame, {name: _value(layout, name, text) for name, text in texts.items()})
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
    from ullage.annotate import sample
    from ullage.values import expectation

    rows = [[slot.name, expectation(slot)] for slot in layout.values]
    example = " ".join(f"{slot.name}={written(slot, sample(layout)[slot.name])}" for slot in layout.values)
    return "\n".join(
        [
            f"{layout.name} needs {len(rows)} value{'s' if len(rows) != 1 else ''}:",
            *columns(rows, indent="  "),
            "for example:",
            f"  ullage encode {quoted(spec)} {layout.name} {example}".rstrip(),
        ]
    )


def written(slot: "Slot", value: Any) -> str:
    """A value as this command reads it again: numbers without unit, octets in hex, unix time as ISO 8601."""
    from ullage.annotate import reading
    from ullage.layout import Scaled
    from ullage.quantity import exact, plain

    if isinstance(value, bytes):
        return value.hex()
    scaled = slot.transform
    if isinstance(scaled, Scaled) and not isinstance(value, str):
        moment = reading(slot, value)
        return moment if scaled.epoch == "unix" and moment.endswith("Z") else plain(exact(value))
    return quoted(value) if isinstance(value, str) else reading(slot, value)


def _texts(values: Iterable[str]) -> dict[str, str]:
    texts: dict[str, str] = {}
    for given in values:
        name, equals, text = given.partition("=")
        if not equals:
            raise Stop(f"{given!r} is no value\n  help: NAME=VALUE, without spaces around the =")
        if name in texts:
            raise Stop(f"{name} is given twice\n  help: once")
        texts[name] = text
    return texts


def _value(layout: "Layout", name: str, text: str) -> Any:
    """The value that a text means for this field; what nobody knows here goes on as text and is refused there."""
    from ullage.layout import Flag, Opaque, Scaled

    slot = next((slot for slot in layout.values if slot.name == name), None)
    transform = slot.transform if slot else None
    if slot is None or transform is None:
        return text
    if isinstance(transform, Scaled):
        return _quantity(slot, transform, text)
    if isinstance(transform, Flag):
        truth = _TRUTHS.get(text.strip().lower())
        if truth is None:
            raise Stop(f"{name}: {text!r} is neither yes nor no\n  help: yes or no")
        return truth
    if isinstance(transform, Opaque):
        from ullage.annotate import octets_of

        try:
            return octets_of(text)
        except ValueError as error:
            raise Stop(f"{name}: {error}\n  help: {transform.octets} octets in hex") from None
    return text


def _quantity(slot: "Slot", scaled: "Scaled", text: str) -> Any:
    """A number as typed, without its unit; a moment as seconds; anything else, like a special code's name, as it is."""
    if scaled.epoch == "unix" and _MOMENT.match(text):
        return _seconds(slot.name, text)
    found = _NUMBER.match(text)
    if not found:
        return text
    number, unit = found[1], found[2]
    if unit and _same(unit) != _same(scaled.unit):
        own = f"the unit is {scaled.unit}" if scaled.unit else "it has no unit"
        example = f"{slot.name}={scaled.text((scaled.lowest + scaled.highest) // 2, unit=False)}{scaled.unit}"
        raise Stop(f"{slot.name}: {text!r} is in {unit}, but {own}\n  help: for example {example}")
    return number


def _same(unit: str) -> str:
    return unit.replace("μ", "µ")  # the Greek letter and the micro sign look alike


def _seconds(name: str, text: str) -> Any:
    """Seconds since 1970 of an ISO 8601 moment in UTC, exactly."""
    from datetime import UTC, datetime, timedelta
    from fractions import Fraction

    help_text = "help: UTC, like 2025-11-25T06:24:11Z, or the seconds since 1970"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Stop(f"{name}: {text!r} is no time\n  {help_text}") from None
    if moment.utcoffset() != timedelta(0):
        raise Stop(f"{name}: {text!r} is not in UTC\n  {help_text}")
    return Fraction((moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1), 1_000_000)


def _does_not_fit(error: Any, texts: dict[str, str]) -> str:
    """The codec's refusal; where a value is at fault, that value as typed, and what would fit in a line of its own."""
    text = str(error)
    if error.status is not None and error.field in texts:
        text = f"{error.field}: {texts[error.field]} does not fit"
    return f"{text}\n  help: {error.help}" if error.help else text
