"""Values as they are typed, `distance=1234mm readings[0].level=no_echo`, and the other way round.

Numbers stay the text that was typed, so nothing passes through a binary float. What cannot be a value is refused by the
codec; only names, units and the ways to write a value are settled here.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from ullage.layout import Binary32, Choice, Entry, Flag, Gate, Layout, Opaque, Repeat, Scaled, Slot
from ullage.quantity import exact, plain
from ullage.unfold import controls
from ullage.values import expectation
from ullage.words.octet_rows import octets_of
from ullage.words.wording import reading

from .screen import Stop

_NUMBER = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+|/\d+)?)\s*(.*?)\s*\Z")
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT.*\Z")
_CODE = re.compile(r"\s*(\d{1,20})\s*\Z", re.ASCII)
_STEP = re.compile(r"(?:\A|\.)([^.\[\]]+)|\[(\d{1,9})\]", re.ASCII)
_TRUTHS = {"true": True, "yes": True, "on": True, "1": True, "false": False, "no": False, "off": False, "0": False}

Tree = dict[str | int, Any]
"""Names and numbers of items -> texts, or trees of them."""


def texts_of(words: Iterable[str]) -> dict[str, str]:
    """The words NAME=VALUE as name -> text. Raises Stop."""
    texts: dict[str, str] = {}
    for word in words:
        name, equals, text = word.partition("=")
        if not equals:
            raise Stop(f"{word!r} is no value\n  help: NAME=VALUE, without spaces around the =")
        if name in texts:
            raise Stop(f"{name} is given twice\n  help: once")
        texts[name] = text
    return texts


def values_of(layout: Layout, texts: Mapping[str, str]) -> dict[str, Any]:
    """What the texts mean for a frame, as `Protocol.encode` takes it.

    A list or group of which nothing is given is empty or absent. Names that nobody knows go on, and are refused there.
    Raises Stop for what cannot be read.
    """
    tree: Tree = {}
    for name, text in texts.items():
        _put(tree, name, text)
    return _scope(layout.entries, tree, "")


def _put(tree: Tree, name: str, text: str) -> None:
    """Put a text at its place in the tree: `readings[0].level` is level in item 0 of readings."""
    steps = [found[1] or int(found[2]) for found in _STEP.finditer(name)]
    if not steps or isinstance(steps[0], int) or _written_path(steps) != name:
        steps = [name]  # no name at all: the codec says so
    for step in steps[:-1]:
        tree = tree.setdefault(step, {})
        if not isinstance(tree, dict):
            raise Stop(f"{name}: {step} has a value of its own\n  help: leave that one out")
    if steps[-1] in tree:
        raise Stop(f"{name} has values inside it already\n  help: give those, or this one")
    tree[steps[-1]] = text


def _written_path(steps: Iterable[str | int]) -> str:
    return "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in steps).removeprefix(".")


def _scope(entries: tuple[Entry, ...], tree: Tree, where: str) -> dict[str, Any]:
    """The values of one scope: a frame's, an item's or a group's."""
    inner = {entry.name: entry for entry in entries if not isinstance(entry, Slot)}
    slots = {entry.name: entry for entry in entries if isinstance(entry, Slot) and entry.given}
    values: dict[str, Any] = {}
    for name, given in tree.items():
        place, entry = f"{where}{name}", inner.get(str(name))
        if entry is None and isinstance(given, str):
            slot = slots.get(str(name))
            values[str(name)] = value_of(slot, place, given) if slot else given
        elif isinstance(entry, Repeat):
            values[entry.name] = _items(entry, given, place)
        elif isinstance(entry, Gate) and isinstance(given, dict) and not any(isinstance(key, int) for key in given):
            values[entry.name] = _scope(entry.entries, given, f"{place}.")
        elif isinstance(entry, Gate):
            raise Stop(f"{place} is a group{_such_as(entry, place)}")
        else:
            raise Stop(f"{place} is no list or group\n  help: {_known(inner, where)}")
    for entry in inner.values():
        if entry.name not in values:
            values[entry.name] = _not_given(entry, values)
    return values


def _items(entry: Repeat, given: Any, place: str) -> tuple[dict[str, Any], ...]:
    if not isinstance(given, dict) or not all(isinstance(key, int) for key in given):
        raise Stop(f"{place} is a list{_such_as(entry, place)}")
    for number, key in enumerate(sorted(given)):
        if key != number:
            raise Stop(f"{place}[{number}] is missing, and {place}[{key}] is there\n  help: items are numbered from 0")
        if not isinstance(given[key], dict):
            raise Stop(f"{place}[{key}] is an item of a list{_such_as(entry, place)}")
    return tuple(_scope(entry.entries, given[number], f"{place}[{number}].") for number in range(len(given)))


def _not_given(entry: Repeat | Gate, values: Mapping[str, Any]) -> Any:
    """A list or group of which nothing was typed: not there, unless it is one that needs no values."""
    if isinstance(entry, Gate):
        return _scope(entry.entries, {}, "") if values.get(entry.when) is True and not _needs(entry) else None
    count = _CODE.match(str(values.get(entry.counted_by, "")))
    items = int(count[1]) // (entry.item_octets or 1) if count and not _needs(entry) else 0
    return tuple(_scope(entry.entries, {}, "") for _ in range(min(items, entry.at_most + 1)))


def _needs(entry: Repeat | Gate) -> bool:
    """Whether a list's item or a group needs a value."""
    return any(True for _ in _words(entry.entries, _least(entry.entries), ""))


def _least(entries: tuple[Entry, ...]) -> dict[str, Any]:
    """Values with as little in them as may be; those of fields are None."""
    values: dict[str, Any] = {}
    for entry in entries:
        if isinstance(entry, Repeat):
            values[entry.name] = (_least(entry.entries),) * entry.least
        else:
            values[entry.name] = None
    return values


def _such_as(entry: Repeat | Gate, place: str) -> str:
    inner = next((one for one in entry.entries if not isinstance(one, Slot) or one.given), None)
    item = "[0]" if isinstance(entry, Repeat) else ""
    return f"\n  help: {place}{item}.{inner.name}=..., for example" if inner else ""


def _known(inner: Mapping[str, Entry], where: str) -> str:
    return f"here are {', '.join(where + name for name in inner)}" if inner else "here are none"


# ---- one value -------------------------------------------------------------------------------------------------


def value_of(slot: Slot, place: str, text: str) -> Any:
    """The value that a text means for this field; what nobody knows here goes on as text and is refused there."""
    transform = slot.transform
    if isinstance(transform, Scaled | Binary32):
        return _quantity(place, transform, text)
    if isinstance(transform, Choice) and (code := _CODE.match(text)):
        return int(code[1])
    if isinstance(transform, Flag):
        truth = _TRUTHS.get(text.strip().lower())
        if truth is None:
            raise Stop(f"{place}: {text!r} is neither yes nor no\n  help: yes or no")
        return truth
    if isinstance(transform, Opaque):
        try:
            return octets_of(text)
        except ValueError as error:
            raise Stop(f"{place}: {error}\n  help: {transform.octets} octets in hex") from None
    return text


def _quantity(place: str, number: Scaled | Binary32, text: str) -> Any:
    """A number as typed, without its unit; a moment as seconds; anything else, like a special code's name, as it is."""
    if isinstance(number, Scaled) and number.epoch == "unix" and _MOMENT.match(text):
        return _seconds(place, text)
    found = _NUMBER.match(text)
    if not found:
        return text
    digits, unit = found[1], found[2]
    if unit and _same(unit) != _same(number.unit):
        own = f"the unit is {number.unit}" if number.unit else "it has no unit"
        middle = (
            number.text((number.lowest + number.highest) // 2, unit=False) if isinstance(number, Scaled) else "21.5"
        )
        example = f"{place}={middle}{number.unit}"
        raise Stop(f"{place}: {text!r} is in {unit}, but {own}\n  help: for example {example}")
    return digits


def _same(unit: str) -> str:
    return unit.replace("μ", "µ")  # the Greek letter and the micro sign look alike


def _seconds(place: str, text: str) -> Any:
    """Seconds since 1970 of an ISO 8601 moment in UTC, exactly."""
    from datetime import UTC, datetime, timedelta
    from fractions import Fraction

    help_text = "help: UTC, like 2025-11-25T06:24:11Z, or the seconds since 1970"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Stop(f"{place}: {text!r} is no time\n  {help_text}") from None
    if moment.utcoffset() != timedelta(0):
        raise Stop(f"{place}: {text!r} is not in UTC\n  {help_text}")
    return Fraction((moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1), 1_000_000)


# ---- the other way round ---------------------------------------------------------------------------------------


def words_of(layout: Layout, values: Mapping[str, Any]) -> list[str]:
    """NAME=VALUE for each value of a frame, as few as are needed; not yet quoted for a shell."""
    return [f"{place}={text}" for place, text in _words(layout.entries, values, "")]


def _words(entries: tuple[Entry, ...], values: Mapping[str, Any], where: str) -> Iterator[tuple[str, str]]:
    found: dict[str, list[tuple[str, str]]] = {}
    follows = controls(entries)
    for entry in entries:
        place = f"{where}{entry.name}"
        if isinstance(entry, Repeat):
            items = values[entry.name]
            words = [word for n, item in enumerate(items) for word in _words(entry.entries, item, f"{place}[{n}].")]
            if items and not words:  # nothing but the count says that they are there
                found[entry.counted_by] = [(where + entry.counted_by, str(len(items) * (entry.item_octets or 1)))]
            found[entry.name] = words
        elif isinstance(entry, Gate):
            inside = values[entry.name]
            words = [] if inside is None else list(_words(entry.entries, inside, f"{place}."))
            if inside is not None and not words:
                found[entry.when] = [(where + entry.when, "yes")]
            found[entry.name] = words
        elif entry.name in follows:
            found[entry.name] = []
        elif entry.given:
            found[entry.name] = [(place, written(entry, values[entry.name]))]
    for words in found.values():
        yield from words


def written(slot: Slot, value: Any) -> str:
    """A value as it is read again here: numbers without unit, octets in hex, unix time as ISO 8601."""
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, str) or value is None:
        return value or ""
    if isinstance(slot.transform, Scaled | Binary32):
        moment = reading(slot, value)
        unix = isinstance(slot.transform, Scaled) and slot.transform.epoch == "unix"
        return moment if unix and moment.endswith("Z") else plain(exact(value))
    return reading(slot, value)


def needs(entries: tuple[Entry, ...], where: str = "") -> Iterator[tuple[str, str]]:
    """The names of a frame's values, each with what it can be; lists and groups have a row before theirs."""
    follows = controls(entries)
    for entry in entries:
        place = f"{where}{entry.name}"
        if isinstance(entry, Repeat):
            yield place, f"{entry.least}..{entry.at_most} items: {place}[0], {place}[1], ..."
            yield from needs(entry.entries, f"{place}[0].")
        elif isinstance(entry, Gate):
            yield place, "a group: all of it, or nothing"
            yield from needs(entry.entries, f"{place}.")
        elif entry.given and entry.name not in follows:
            yield place, expectation(entry)
