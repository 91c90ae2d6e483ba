"""Pairs of revisions: written by hand over every kind of change, and drawn ones changed at random."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import ullage

from .protocols import spec_text

HEADER = """[header]
field = [
  { name = "rev",  kind = "revision", bits = 4 },
  { name = "what", kind = "message", bits = 4 },
  { name = "hub",  kind = "destination", bits = %d, broadcast = %d },
  { name = "node", kind = "source", bits = 8 },
]
"""
CRC = '[integrity]\ncrc = "CRC-16/IBM-3740"\n'


def revision(number: int, header: str, frames: dict[str, tuple[int, str]], rest: str = CRC) -> str:
    """A spec of the orchard's upper terrace. frames: name -> message code and fields."""
    text = f'[protocol]\nname = "terrace"\nrevision = {number}\n{header}'
    for name, (message, fields) in frames.items():
        code = f"message = {message}\n" if "message" in header else ""
        text += f'[[frame]]\nname = "{name}"\n{code}field = [\n{fields}\n]\n'
    return text + rest


def fields(*rows: str) -> str:
    """Fields as TOML."""
    return ",\n".join(f"  {{ {row} }}" for row in rows)


def measure(name: str, low: object, high: object, step: object, unit: str = "mm", more: str = "") -> str:
    """A measure as TOML."""
    text = f'name = "{name}", kind = "measure", unit = "{unit}", range = [{low}, {high}], step = {step}'
    return f"{text}, {more}" if more else text


BIG = 2**63 - 1

NUMBERS = (
    fields(
        measure("widened", 250, 6000, 1),
        measure("narrowed", -500, 500, 1),
        measure("finer", 0, 5000, 5),
        measure("coarser", -300, 300, 1),
        measure("odd", -30, 30, 1.5),
        measure("moved", 1, 5, 1),
        measure("metres", 0, 100, 1, "mm"),
        measure("one_left", -20, 20, 20),
        measure("all_left", 0, 1000, 1000),
        measure("wrong_way", 0, 10, 1),
        measure("just", -10, 10, 1),
        'name = "deep", kind = "count", bits = 64',
        f'name = "deep_down", kind = "count", range = [-{BIG}, {BIG}]',
        'name = "shallow", kind = "count", range = [-5, 5]',
        measure("became_count", 0, 9, 1, ""),
        'name = "at", kind = "time", bits = 32, step = 60, epoch = "start"',
        'name = "since", kind = "time", bits = 32, step = 60, epoch = "start"',
        'name = "cal", kind = "binary32", unit = "V"',
        'name = "volts", kind = "binary32", unit = "V"',
        'name = "gone", kind = "count", bits = 3',
    ),
    fields(
        measure("coarser", -300, 300, 5),
        measure("widened", 250, 12000, 1),
        measure("narrowed", -100, 120, 1),
        measure("finer", -5, 5000, 1),
        measure("odd", -30, 30, 1),
        measure("moved", 100, 200, 1),
        measure("metres", 0, 100, 1, "m"),
        measure("one_left", 0, 30, 30),
        measure("all_left", 0, 1000, 500),
        measure("wrong_way", 0, 1000, 100),
        measure("just", -9, 9, 1),
        'name = "deep", kind = "count", range = [-5, 300]',
        f'name = "deep_down", kind = "count", range = [-{BIG - 7}, {BIG}]',
        'name = "shallow", kind = "count", bits = 64',
        'name = "became_count", kind = "count", bits = 3',
        'name = "at", kind = "time", bits = 32, step = 30, epoch = "start"',
        'name = "since", kind = "time", bits = 32, step = 60, epoch = "unix"',
        'name = "cal", kind = "binary32", unit = "V"',
        'name = "volts", kind = "binary32", unit = "mV"',
        measure("added", 0, 100, "0.4", "%RH"),
        measure("added_full", 0, 4.5, "0.1", "V", "clamp = true"),
        'name = "added_count", kind = "count", bits = 8',
        'name = "added_real", kind = "binary32", unit = "V"',
        'name = "added_flag", kind = "flag"',
    ),
)

WORDS = (
    fields(
        measure("echo", 0, 500, 1, "mm", 'special = ["no_echo", "too_close"]'),
        measure("cool", -40, 80, "0.5", "Cel", 'special = ["no_sensor"]'),
        measure("heat", 0, 40, 1, "Cel", 'special = ["no_sensor"]'),
        'name = "lid", kind = "code", codes = { shut = 0, open = 1 }',
        'name = "valve", kind = "code", codes = { shut = 0, half = 1, open = 2, stuck = 3 }',
        'name = "pump", kind = "code", codes = { off = 0, on = 1 }',
        'name = "mode", kind = "code", codes = { a = 0 }',
        'name = "lamp", kind = "flag"',
        'name = "was_flag", kind = "flag"',
        'name = "label", kind = "text", octets = 4',
        'name = "name", kind = "text", octets = 6',
        'name = "same", kind = "text", octets = 3',
        'name = "key", kind = "octets", octets = 3',
        'name = "tag", kind = "octets", octets = 3',
    ),
    fields(
        measure("echo", 0, 500, 1, "mm", 'special = ["no_echo", "lost"]'),
        measure("cool", -40, 80, "0.5", "Cel", 'special = ["broken", "no_sensor"]'),
        measure("heat", 0, 40, 1, "Cel"),
        'name = "lid", kind = "code", codes = { shut = 1, open = 0 }',
        'name = "valve", kind = "code", codes = { shut = 0, open = 1, half = 2, ajar = 300 }',
        'name = "pump", kind = "code", codes = { idle = 0, busy = 1 }',
        'name = "mode", kind = "code", codes = { b = 0, a = 1 }',
        'name = "lamp", kind = "flag"',
        'name = "was_flag", kind = "count", bits = 1',
        'name = "label", kind = "text", octets = 6',
        'name = "name", kind = "text", octets = 4',
        'name = "same", kind = "text", octets = 3',
        'name = "key", kind = "octets", octets = 3',
        'name = "tag", kind = "octets", octets = 4',
        'name = "added_text", kind = "text", octets = 3',
        'name = "added_octets", kind = "octets", octets = 3',
        'name = "added_code", kind = "code", codes = { low = 0, high = 1 }',
    ),
)

_LEVEL = measure("level", 0, 2500, "%s", "mm", 'special = ["no_echo"]')
ROWS = (
    fields(
        'name = "n", kind = "count", range = [0, 5]',
        f'name = "readings", kind = "list", counted_by = "n", at_most = 5, field = [{fields(_LEVEL % 1)}]',
        'name = "m", kind = "count", bits = 8',
        'name = "few", kind = "list", counted_by = "m", at_most = 2, field = [ { name = "x", kind = "flag" } ]',
        'name = "has_extra", kind = "flag"',
        'name = "extra", kind = "group", when = "has_extra", field = [ { name = "t", kind = "count", bits = 8 },\n'
        '    { name = "k", kind = "count", range = [0, 3] },\n'
        '    { name = "runs", kind = "list", counted_by = "k", at_most = 3, field = [ { name = "s", kind = "count", '
        "bits = 8 } ] } ]",
        'name = "turned", kind = "flag"',
        'name = "left", kind = "group", when = "turned", field = [ { name = "l", kind = "flag" } ]',
        'name = "two", kind = "flag"',
        'name = "also", kind = "flag"',
        'name = "first", kind = "group", when = "two", field = [ { name = "f", kind = "flag" } ]',
        'name = "second", kind = "group", when = "also", field = [ { name = "s", kind = "flag" } ]',
        'name = "m2", kind = "count", bits = 8',
        'name = "lost", kind = "list", counted_by = "m2", at_most = 2, field = [ { name = "x", kind = "flag" } ]',
    ),
    fields(
        'name = "n", kind = "count", range = [1, 3]',
        'name = "plus", kind = "count", bits = 3',
        f'name = "readings", kind = "list", counted_by = "n", at_most = 3, field = [{fields(_LEVEL % 5)},\n'
        '    { name = "ok", kind = "flag" } ]',
        'name = "many", kind = "count", bits = 8',
        'name = "few", kind = "list", counted_by = "many", at_most = 9, field = [ { name = "x", kind = "flag" } ]',
        'name = "has_more", kind = "flag"',
        'name = "extra", kind = "group", when = "has_more", field = [\n'
        '    { name = "t", kind = "count", range = [0, 99] },\n'
        '    { name = "k", kind = "count", range = [0, 2] },\n'
        '    { name = "runs", kind = "list", counted_by = "k", at_most = 2, field = [ { name = "s", kind = "count", '
        "bits = 7 } ] } ]",
        'name = "turned", kind = "flag"',
        'name = "left", kind = "group", when = "turned", field = [ { name = "l", kind = "flag" } ]',
        'name = "right", kind = "group", when = "turned", field = [ { name = "r", kind = "flag" } ]',
        'name = "two", kind = "flag"',
        'name = "first", kind = "group", when = "two", field = [ { name = "f", kind = "flag" } ]',
        'name = "second", kind = "group", when = "two", field = [ { name = "s", kind = "flag" } ]',
        'name = "m", kind = "count", bits = 4',
        'name = "o", kind = "count", bits = 8',
        'name = "fresh", kind = "list", counted_by = "o", at_most = 2, field = [ { name = "y", kind = "flag" } ]',
    ),
)

_ON = fields('name = "on", kind = "flag"', 'name = "d", kind = "count", bits = 7')
PAIRS: dict[str, tuple[str, str]] = {
    "numbers and words": (
        revision(2, HEADER % (8, 255), {"numbers": (1, NUMBERS[1]), "words": (2, WORDS[1])}),
        revision(1, HEADER % (8, 255), {"numbers": (1, NUMBERS[0]), "words": (2, WORDS[0])}),
    ),
    "lists and groups": (
        revision(4, HEADER % (8, 0), {"rows": (1, ROWS[1]), "same": (2, ROWS[1])}),
        revision(1, HEADER % (8, 255), {"rows": (1, ROWS[0]), "same": (2, ROWS[1])}),
    ),
    "another CRC, a wider station, frames new, gone and moved": (
        revision(2, HEADER % (16, 65535), {"kept": (1, _ON), "moved": (7, _ON), "fresh": (2, _ON)}, CRC),
        revision(
            1,
            HEADER % (8, 255),
            {"kept": (1, _ON), "gone": (2, _ON), "moved": (3, _ON), "also_gone": (4, _ON)},
            '[integrity]\ncrc = "CRC-8/SMBUS"\n',
        ),
    ),
    "no revision on the air": (
        revision(2, "", {"a": (0, fields('name = "x", kind = "count", range = [3, 250]'))}),
        revision(1, "", {"a": (0, fields('name = "x", kind = "count", range = [0, 240], bits = 8'))}),
    ),
    "no check, a sum before": (
        revision(2, "", {"a": (0, fields('name = "x", kind = "count", bits = 8', 'name = "y", kind = "flag"'))}, ""),
        revision(
            1, "", {"a": (0, fields('name = "x", kind = "count", bits = 8'))}, "[integrity]\nsum = { bits = 8 }\n"
        ),
    ),
}
"""What changes -> the newest spec and the older one."""


def changed(text: str, rng: random.Random) -> tuple[ullage.Protocol, ullage.Protocol] | None:
    """A drawn spec as the older revision, and it changed at random as the newest; None where it cannot be changed."""
    older = _data(text)
    number = older["protocol"]["revision"]
    older["protocol"]["revision"] = max(number - 1, 0)
    for _ in range(12):
        newest = _data(text)
        newest["protocol"]["revision"] = max(number, 1)
        _change(newest, rng)
        try:
            return ullage.loads(spec_text(newest)), ullage.loads(spec_text(older))
        except ullage.SpecError:
            continue
    return None


def _data(text: str) -> dict[str, Any]:
    data = tomllib.loads(text, parse_float=Decimal)
    return {
        "protocol": data["protocol"],
        "header": data["header"]["field"],
        "frames": data["frame"],
        "parts": data.get("part", []),
        "integrity": data.get("integrity"),
    }


def _change(spec: dict[str, Any], rng: random.Random) -> None:
    for row in (spec["header"], *(frame["field"] for frame in (*spec["frames"], *spec["parts"]))):
        _change_row(row, rng, 0.4 if row is not spec["header"] else 0.1)
    if len(spec["frames"]) > 1 and rng.random() < 0.3:
        spec["frames"].pop(rng.randrange(len(spec["frames"])))
    if rng.random() < 0.2:
        spec["integrity"] = {"crc": "CRC-8/SMBUS"}


def _change_row(row: list[dict[str, Any]], rng: random.Random, much: float) -> None:
    counts = {field.get("counted_by") for field in row}
    for field in row:
        if field["name" if "name" in field else "kind"] in counts:
            continue
        if "field" in field:
            if field["kind"] == "list" and field.get("counts") != "octets" and rng.random() < much:
                field["at_most"] = max(field["at_most"] + rng.choice((-1, 1, 2)), 1)
            _change_row(field["field"], rng, much)
        elif rng.random() < much:
            rng.choice(_CHANGES.get(field["kind"], [_keep]))(field, rng)
    if rng.random() < much:
        more = {"name": f"x{rng.randrange(900)}", "kind": "count", "bits": rng.choice((1, 8, 16))}
        row.insert(rng.randrange(len(row) + 1), more)
    loose = [place for place, field in enumerate(row) if field["kind"] not in ("list", "group", "length", "part")]
    if all(field["kind"] in _CHANGES for field in row) and rng.random() < much:
        row[:] = rng.sample(row, len(row))
    elif len(row) > 1 and loose and rng.random() < much / 2:
        row.pop(rng.choice(loose))


def _keep(field: dict[str, Any], rng: random.Random) -> None:
    """For kinds that are not changed."""


def _step(field: dict[str, Any], rng: random.Random) -> None:
    factor = rng.choice((Decimal(2), Decimal(5), Decimal("0.2"), Decimal("0.5"), Decimal("1.5")))
    step = Decimal(str(field["step"])) * factor
    low, high = (round(Decimal(str(end)) / step) * step for end in field["range"])
    field |= {"step": step, "range": [low, high]}
    field.pop("bits", None)
    field.pop("zero", None)


def _range(field: dict[str, Any], rng: random.Random) -> None:
    step = Decimal(str(field.get("step", 1)))
    if "range" in field:
        low, high = (Decimal(str(end)) + rng.choice((-7, -1, 0, 1, 9)) * step for end in field["range"])
        field["range"] = [min(low, high), max(low, high)]
        if field["kind"] == "count":
            field["range"] = [int(end) for end in field["range"]]
        field.pop("zero", None)
        field.pop("bits", None)
    elif "bits" in field:
        field["bits"] = min(max(field["bits"] + rng.choice((-1, 1, 8)), 1), 51)


def _names(field: dict[str, Any], rng: random.Random) -> None:
    if field["kind"] == "code":
        names = rng.sample([*field["codes"], "fresh"], len(field["codes"]))
        field["codes"] = dict(zip(names, field["codes"].values(), strict=True))
    else:
        field["special"] = rng.sample(["alpha", "beta", "gamma", "no_echo", "fresh"], rng.randint(1, 3))
        field.pop("bits", None)


def _size(field: dict[str, Any], rng: random.Random) -> None:
    field["octets"] = max(field["octets"] + rng.choice((-1, 1, 3)), 1)


def _unit(field: dict[str, Any], rng: random.Random) -> None:
    field["unit"] = rng.choice(("mm", "V"))


_CHANGES: dict[str, list[Callable[[dict[str, Any], random.Random], None]]] = {
    "measure": [_step, _step, _range, _range, _names, _unit],
    "count": [_range],
    "code": [_names],
    "sensor": [_range],
    "time": [_range],
    "text": [_size],
    "octets": [_size],
    "flag": [_keep],
    "binary32": [_unit],
    "sequence": [_range],
}
