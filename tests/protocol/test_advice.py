"""Advice: each piece is drawn by a spec that earns it, and not by its neighbour that does not."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

import ullage
from support.protocols import specs
from support.tiny import generated, tiny
from ullage.snippet import rendered
from ullage.spec.advice import Advice, advice
from ullage.spec.unit_names import SENML, UCUM, WORDS, known, nearest_unit

ROOT = Path(__file__).parents[2]
MM = 'name = "x", kind = "measure", unit = "mm", clamp = true'
QUIET = f"{MM}, range = [0, 255], step = 1"


def advised(text: str) -> list[Advice]:
    return list(advice(ullage.loads(text), text))


def codes(text: str) -> list[str]:
    return [item.code for item in advised(text)]


def field(keys: str) -> str:
    return tiny(f'name = "x", {keys}')


MEASURE = 'kind = "measure", unit = "mm", step = 1'
SEQUENCE = '{{ name = "seq", kind = "sequence", bits = {} }}'
DESTINATION = '{{ name = "to", kind = "destination", bits = 8{} }}'
LEVEL = 'name = "level", kind = "measure", unit = "mm", range = [0, 255], step = 1, role = "level"'
FULL = 'name = "full", kind = "measure", unit = "/100", range = [0, 100], step = 1, clamp = true'
ORDER = 'name = "valve", kind = "flag", role = "order"'
EXPIRY = 'name = "until", kind = "measure", unit = "s", range = [0, 255], step = 1, role = "expiry"'
BITS = 'name = "n", kind = "count", bits = {}'
CRC_8 = '[integrity]\ncrc = "CRC-8/SMBUS"'
CRC_16 = '[integrity]\ncrc = "CRC-16/IBM-3740"'
SPARE = 'kind = "spare", bits = {}'

# One line a rule: its code, a spec that draws it, one that does not, words of its text, words of its help.
PAIRS: list[tuple[str, str, str, str, str]] = [
    (
        "silent",
        field(f"{MEASURE}, range = [0, 99]"),
        field(f"{MEASURE}, range = [0, 99], clamp = true"),
        '"x" has neither clamp nor special code: beyond 0..99 mm nothing',
        'clamp = true, or special = ["unknown"] (28 codes are free), or range = [0, 127]',
    ),
    (
        "silent",
        field('kind = "measure", unit = "V", step = 0.1, range = [2, 3]'),
        field('kind = "measure", unit = "V", step = 0.1, range = [2, 3], special = ["gone"]'),
        "beyond 2.0..3.0 V nothing",
        "range = [2, 3.5] (the same bits hold it)",
    ),
    ("silent", field(f"{MEASURE}, range = [-9, 99]"), field(f"{MEASURE}, range = [0, 127]"), "-9..99 mm", "clamp"),
    (
        "unsealed_order",
        tiny(ORDER, EXPIRY),
        tiny(ORDER.replace("order", "level")),
        "anyone with such a radio can send it",
        "has to stay safe",
    ),
    ("lasting_order", tiny(ORDER), tiny(ORDER, EXPIRY), "this order never expires", 'role = "expiry"'),
    (
        "spare_octet",
        tiny(BITS.format(6), SPARE.format(7), BITS.format(2).replace('"n"', '"m"')),
        tiny(BITS.format(6), SPARE.format(7), BITS.format(3).replace('"n"', '"m"')),
        "8 bits of this frame are spare: it takes 2 octets, without them 1",
        "leave spare out",
    ),
    (
        "cheap_octet",
        tiny(f"{MM}, range = [0, 260], step = 1"),
        tiny(f"{MM}, range = [0, 1030], step = 1"),
        "1 bit less would save an octet of this frame: 1 instead of 2",
        "range = [0, 255]: 8 bits instead of 9",
    ),
    (
        "cheap_octet",
        tiny(f"{MM}, range = [0, 1000], step = 1"),
        tiny(f"{MM}, range = [0, 1000], step = 1, bits = 10"),  # a width that is written is meant
        "2 bits less would save an octet of this frame: 1 instead of 2",
        "step = 4: 8 bits or less instead of 10",
    ),
    (
        "unused_codes",
        field(f"{MEASURE}, clamp = true, range = [0, 1100]"),
        field(f"{MEASURE}, clamp = true, range = [0, 1300]"),
        '947 of the 2048 codes of "x" stand for nothing',
        "range = [0, 2047] costs no more; range = [0, 1023] saves a bit",
    ),
    (
        "unused_codes",
        field('kind = "count", range = [1, 600]'),
        field('kind = "count", range = [1, 600], bits = 10'),
        '424 of the 1024 codes of "x"',
        "range = [1, 1023] costs no more; range = [1, 511] saves a bit",
    ),
    (
        "worked_out",
        tiny(LEVEL, FULL),
        tiny(LEVEL.replace("mm", "V").replace("level", "battery"), FULL),
        'the receiver can work out "full" from "level"',
        "7 bits less",
    ),
    (
        "short_sequence",
        tiny(QUIET, header=SEQUENCE.format(4), frame='interval = "1 min"'),
        tiny(QUIET, header=SEQUENCE.format(6), frame='interval = "1 min"'),  # 64 min
        '"seq" begins again after 16 min',
        "bits = 16",
    ),
    (
        "no_broadcast",
        tiny(QUIET, header=DESTINATION.format("")),
        tiny(QUIET, header=DESTINATION.format(", broadcast = 0")),
        '"to" keeps no code for everybody',
        "broadcast = 255",
    ),
    (
        "weak_crc",  # CRC-8/SMBUS has HD 4 up to 119 data bits, 2 from there on (P. Koopman, polynomial 0x83)
        tiny('name = "x", kind = "octets", octets = 15', rest=CRC_8),
        tiny('name = "x", kind = "octets", octets = 14', rest=CRC_8),
        'over the 15 octets of "a" CRC-8/SMBUS can overlook two flipped bits',
        'crc = "CRC-16/IBM-3740" finds any three',
    ),
    (
        "weak_crc",
        tiny('name = "x", kind = "octets", octets = 17', rest='[integrity]\ncrc = "CRC-16/DNP"'),
        tiny('name = "x", kind = "octets", octets = 250', rest=CRC_16),
        "CRC-16/DNP can overlook two flipped bits",
        "of every length",
    ),
    (
        "unknown_unit",
        field('kind = "measure", unit = "°C", step = 1, range = [0, 127]'),
        field('kind = "measure", unit = "Cel", step = 1, range = [0, 127]'),
        '"°C" is neither a SenML unit nor a common UCUM code',
        'unit = "Cel"',
    ),
    ("unknown_unit", field('kind = "binary32", unit = "volts"'), field('kind = "binary32", unit = "V"'), "", '"V"'),
    (
        "per_cent",
        field('kind = "measure", unit = "%", step = 1, range = [0, 127]'),
        field('kind = "measure", unit = "%RH", step = 1, range = [0, 127]'),
        "the plain ratio 1 in SenML",
        'unit = "/100" for SenML (RFC 8798)',
    ),
]


@pytest.mark.parametrize(("code", "with_it", "without", "said", "help_text"), PAIRS)
def test_each_advice_is_drawn_by_one_spec_and_not_by_its_neighbour(
    code: str, with_it: str, without: str, said: str, help_text: str
) -> None:
    assert code not in codes(without)
    (found,) = [item for item in advised(with_it) if item.code == code]
    assert said in found.text
    assert help_text in (found.help or "")
    assert found.span
    assert rendered(found, "node.toml", with_it)[2].strip(" |")[0] == "^"


def test_a_quiet_spec_draws_none() -> None:
    assert advised(tiny(QUIET, rest=CRC_16)) == []


def test_the_help_of_every_advice_that_can_be_typed_in_removes_it() -> None:
    text = tiny(f"{MM}, range = [0, 1100], step = 1")
    assert "unused_codes" not in codes(text.replace("[0, 1100]", "[0, 2047]"))
    assert "unused_codes" not in codes(text.replace("[0, 1100]", "[0, 1023]"))
    cheap = tiny(f"{MM}, range = [0, 1000], step = 1")
    assert ullage.loads(cheap).longest == 2
    assert ullage.loads(cheap.replace("step = 1", "step = 4")).longest == 1


def test_advice_finds_fields_in_parts_lists_and_groups_and_tells_each_place_once() -> None:
    """A part in two frames, an order in a group, a measure in a list: by the field's own line, in file order."""
    text = """
[protocol]
name = "many"
[header]
field = [ { name = "m", kind = "message", bits = 8 } ]
[[part]]
name = "health"
[[part.field]]
name = "battery"
kind = "measure"
unit = "V"
range = [2, 3]
step = 0.1
[[frame]]
name = "a"
message = 1
field = [
  { kind = "part", part = "health" },
  { name = "n", kind = "count", bits = 2 },
  { name = "samples", kind = "list", counted_by = "n", at_most = 3, field = [
    { name = "level", kind = "measure", unit = "mtr", range = [0, 9], step = 1 },
  ] },
]
[[frame]]
name = "b"
message = 2
field = [
  { kind = "part", part = "health" },
  { name = "now", kind = "flag" },
  { name = "act", kind = "group", when = "now", field = [ { name = "valve", kind = "flag", role = "order" } ] },
]
"""
    assert [(item.code, item.line) for item in advised(text)] == [
        ("silent", 9),
        ("silent", 21),
        ("unknown_unit", 21),
        ("unsealed_order", 30),
        ("lasting_order", 30),
    ]


@pytest.mark.parametrize(
    ("name", "expected"),
    [("orchard", ["unsealed_order"]), ("reference", ["no_broadcast"])],
)
def test_the_shipped_specs_have_only_honest_advice(name: str, expected: list[str]) -> None:
    assert codes((ROOT / "spec" / f"{name}.toml").read_text(encoding="utf-8")) == expected


def test_an_old_wire_format_is_not_asked_to_change_what_it_fixed_by_hand() -> None:
    """Bits that are written, and octets with the low one first, are a given."""
    old = 'kind = "count", bits = 16, range = [0, 9999], octet_order = "low_first"'
    assert codes(tiny(f'name = "a", {old}', SPARE.format(8), f'name = "b", {old}')) == []


def test_units_of_the_standards_are_known_and_everyday_spellings_lead_to_them() -> None:
    """Names and meanings: RFC 8428 section 12.1, RFC 8798, UCUM 2.2; the per-cent trap is RFC 8798, note 1."""
    for unit in (
        "",
        "m",
        "mm",
        "cm",
        "m3",
        "V",
        "mV",
        "Cel",
        "K",
        "/",
        "/100",
        "%RH",
        "dBm",
        "Pa",
        "hPa",
        "Ah",
        "count",
    ):
        assert known(unit)
    for unit in ("L", "L/min", "m3/h", "bar", "m[H2O]", "[ppm]", "A.h"):
        assert known(unit)
        assert unit in UCUM
    for said, meant in {
        "°C": "Cel",
        "degC": "Cel",
        "C°": None,
        "µm": "um",
        "m³": "m3",
        "MM": "mm",
        "Volt": "V",
        "litres": "L",
        "meter": "m",
        "kpa": "kPa",
        "Ω": "Ohm",
        "quux": None,
    }.items():
        assert not known(said)
        assert nearest_unit(said) == meant
    assert all(name == name.strip() and " " not in name for name in SENML | UCUM | WORDS)


@settings(derandomize=True, deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))
@given(specs())
def test_every_spec_can_be_advised_and_every_advice_has_a_place_and_a_way_out(text: str) -> None:
    protocol = generated(text)
    lines = text.split("\n")
    for item in advice(protocol, text):
        assert 1 <= (item.line or 0) <= len(lines)
        assert item.span
        assert item.help
        assert f"{item.text}{item.help}".isprintable()
