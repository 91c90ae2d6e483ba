"""The fingerprint is taken over canonical JSON of what is on the wire: all of it, and nothing else.

Outside oracle for the canonical form (RFC 8785): the rfc8785 package.
"""

import hashlib
import json
import os
import random
import subprocess
import sys
from pathlib import Path

import pytest
import rfc8785
from hypothesis import HealthCheck, given, settings

import ullage
from support.protocols import specs
from support.tiny import generated, load, tiny

SHIPPED = sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))
BASE = """
[protocol]
name = "base"
revision = 3
summary = "A summary"
[header]
field = [
  { name = "revision", kind = "revision", bits = 3 },
  { name = "message", kind = "message", bits = 5 },
  { name = "to", kind = "destination", bits = 8, broadcast = 255 },
  { name = "n", kind = "sequence", bits = 16 },
]
[[frame]]
name = "report"
message = 1
interval = "10 min"
field = [
  { name = "level", kind = "measure", unit = "mm", range = [0, 90], step = 5, special = ["e1", "e2"], role = "level" },
  { name = "state", kind = "code", codes = { shut = 0, half = 1, open = 2 }, bits = 4 },
  { name = "mark", kind = "constant", bits = 4, value = 9 },
  { name = "gap", kind = "spare", bits = 2 },
  { name = "when", kind = "time", bits = 24, step = 60, epoch = "start", summary = "Since power came" },
  { name = "word", kind = "text", octets = 2 },
]
[[frame]]
name = "other"
message = 2
field = [ { name = "x", kind = "count", range = [1, 12] } ]
[integrity]
crc = { width = 16, poly = 0x1021, init = 0xFFFF, refin = false, refout = false, xorout = 0 }
[radio]
modulation = "fsk"
bit_rate = 4800
"""
ON_THE_WIRE = [
    ('name = "base"', 'name = "best"'),
    ("revision = 3", "revision = 4"),
    ('kind = "revision", bits = 3', 'kind = "revision", bits = 4'),
    ('{ name = "to", kind = "destination", bits = 8, broadcast = 255 },', ""),
    ("broadcast = 255", "broadcast = 0"),
    (", broadcast = 255", ""),
    ('name = "to", kind = "destination"', 'name = "dest", kind = "destination"'),
    ('"n", kind = "sequence"', '"n", kind = "sensor"'),
    ('kind = "sequence", bits = 16', 'kind = "sequence", bits = 15'),
    ('name = "report"', 'name = "level_report"'),
    ("message = 1", "message = 3"),
    ('name = "level"', 'name = "height"'),
    ('unit = "mm"', 'unit = "cm"'),
    ("[0, 90]", "[0, 85]"),
    ("[0, 90], step = 5", "[0, 180], step = 10"),
    ("step = 5,", "step = 5, zero = -5,"),
    ("step = 5,", "step = 5, bits = 7,"),
    ("step = 5,", "step = 5, clamp = true,"),
    ('["e1", "e2"]', '["e2", "e1"]'),
    ('["e1", "e2"]', '["e1"]'),
    ('["e1", "e2"]', "{ e1 = 30, e2 = 29 }"),
    ("half = 1, open = 2", "half = 2, open = 1"),
    ("half = 1", "ajar = 1"),
    (", open = 2", ""),
    ("value = 9", "value = 8"),
    ('name = "gap", kind = "spare", bits = 2', 'name = "gap", kind = "count", bits = 2'),
    ('name = "gap", kind = "spare", bits = 2', 'name = "gap", kind = "constant", bits = 2, value = 0'),
    ("step = 60", "step = 1"),
    ('epoch = "start"', 'epoch = "unix"'),
    ('kind = "text"', 'kind = "octets"'),
    ("octets = 2", "octets = 3"),
    ("[1, 12]", "[1, 13]"),
    ("[1, 12]", "[0, 12]"),
    ('  { name = "mark", kind = "constant", bits = 4, value = 9 },\n', ""),
    ("poly = 0x1021", "poly = 0x8005"),
    ("init = 0xFFFF", "init = 0"),
    ("refin = false", "refin = true"),
    ("refout = false", "refout = true"),
    ("xorout = 0", "xorout = 1"),
    ("width = 16, ", "width = 17, "),
    ("xorout = 0 }", 'xorout = 0 }\noctet_order = "low_first"'),
    (
        "[integrity]\ncrc = { width = 16, poly = 0x1021, init = 0xFFFF, refin = false, refout = false, xorout = 0 }\n",
        "",
    ),
]
NOT_ON_THE_WIRE = [
    ("A summary", "Another"),
    ('summary = "A summary"\n', ""),
    ('interval = "10 min"', 'interval = "1 h"'),
    ('interval = "10 min"\n', ""),
    (', role = "level"', ""),
    ('role = "level"', 'role = "battery"'),
    (', summary = "Since power came"', ""),
    ("bit_rate = 4800", "bit_rate = 9600"),
    ('[radio]\nmodulation = "fsk"\nbit_rate = 4800\n', ""),
    ("[header]", "# A comment\n[header]"),
    ("revision = 3", "revision = 3\nlanguage = 1"),
    ('name = "base"\nrevision = 3', 'revision = 3\nname = "base"'),
    ("[0, 90], step = 5", "[0.0, 9e1], step = 5.00, zero = 0"),
    ("step = 5,", "step = 5, bits = 5,"),
    ("step = 5,", "step = 5, clamp = false,"),
    ('["e1", "e2"]', "{ e1 = 31, e2 = 30 }"),
    ('["e1", "e2"]', "{ e2 = 30, e1 = 31 }"),
    ("{ shut = 0, half = 1, open = 2 }", "{ open = 2, shut = 0, half = 1 }"),
    ("[1, 12]", "[1, 12], bits = 4"),
    (
        "{ width = 16, poly = 0x1021, init = 0xFFFF, refin = false, refout = false, xorout = 0 }",
        '"CRC-16/IBM-3740"\noctet_order = "high_first"',
    ),
    (
        '\nfield = [ { name = "x", kind = "count", range = [1, 12] } ]',
        '\n[[frame.field]]\nname = "x"\nkind = "count"\nrange = [1, 12]',
    ),
]


def changed(old: str, new: str) -> ullage.Protocol:
    assert BASE.count(old) == 1, old
    return ullage.loads(BASE.replace(old, new))


def canonical(protocol: ullage.Protocol) -> bytes:
    return rfc8785.dumps(json.loads(protocol.fingerprint_input))


def test_everything_on_the_wire_has_its_own_fingerprint() -> None:
    prints = [ullage.loads(BASE).fingerprint, *(changed(old, new).fingerprint for old, new in ON_THE_WIRE)]
    assert len(set(prints)) == len(prints)


def test_where_the_crc_begins_is_on_the_wire() -> None:
    fields = ('name = "c", kind = "constant", bits = 8, value = 1', 'name = "x", kind = "flag"')
    covers = ("", 'covers_from = "c"', 'covers_from = "x"')
    prints = [load(*fields, rest=f'[integrity]\ncrc = "CRC-8/SMBUS"\n{line}').fingerprint for line in covers]
    assert prints[0] == prints[1] != prints[2]


@pytest.mark.parametrize(("old", "new"), NOT_ON_THE_WIRE)
def test_nothing_beside_the_wire_changes_the_fingerprint(old: str, new: str) -> None:
    assert changed(old, new).fingerprint_input == ullage.loads(BASE).fingerprint_input


def test_the_order_of_frames_is_not_on_the_wire() -> None:
    before, report, other = BASE.partition("[integrity]")[0].split("[[frame]]")
    turned = "[[frame]]".join([before, other, report]) + BASE[BASE.index("[integrity]") :]
    assert list(ullage.loads(turned).frames) == ["other", "report"]
    assert ullage.loads(turned).fingerprint_input == ullage.loads(BASE).fingerprint_input


def test_it_is_the_first_8_octets_of_the_sha_256_of_its_input() -> None:
    protocol = ullage.loads(BASE)
    digest = hashlib.sha256(protocol.fingerprint_input.encode("utf-8")).digest()
    assert bytes.fromhex(protocol.fingerprint) == digest[:8]
    assert protocol.fingerprint == protocol.fingerprint.lower()


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_input_of_a_shipped_spec_is_canonical_json(path: Path) -> None:
    protocol = ullage.load(path)
    assert canonical(protocol) == protocol.fingerprint_input.encode("utf-8")


@settings(derandomize=True, deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
@given(specs())
def test_the_input_of_a_generated_spec_is_canonical_json(text: str) -> None:
    protocol = generated(text)
    assert canonical(protocol) == protocol.fingerprint_input.encode("utf-8")


@pytest.mark.parametrize(
    "unit", ["µm", "\\\\", '\\"', "€/m³", "\U0001f4a7", "ﬀ", "°", "</script>", "%RH", "\\u00e9", "e\u0301"]
)
def test_any_unit_is_written_as_rfc_8785_writes_it(unit: str) -> None:
    """Section 3.2.2.2: only quotes, backslashes and control characters are escaped, and nothing is normalised."""
    protocol = load(f'name = "x", kind = "measure", unit = "{unit}", range = [0, 1], step = 1')
    assert canonical(protocol) == protocol.fingerprint_input.encode("utf-8")
    assert json.loads(protocol.fingerprint_input)["frames"][0]["slots"][0]["unit"] in (unit, json.loads(f'"{unit}"'))


def test_numbers_that_rfc_8785_could_not_write_exactly_are_text() -> None:
    """Section 3.2.2.3: numbers are IEEE 754 doubles, so 2^53 + 1 would be another number."""
    most = (1 << 64) - 1
    protocol = load(
        f'name = "x", kind = "constant", bits = 64, value = {most}',
        f'name = "y", kind = "measure", unit = "m", range = [0, {most - 9}], step = 1, special = {{ e = {most} }}',
        'name = "z", kind = "measure", unit = "m", range = [0, 1e-29], step = 1e-30',
    )
    slots = json.loads(protocol.fingerprint_input)["frames"][0]["slots"]
    assert slots[0]["value"] == slots[1]["special"][0][1] == str(most)
    assert slots[2]["step"] == "0." + "0" * 29 + "1"
    assert canonical(protocol) == protocol.fingerprint_input.encode("utf-8")


def test_the_same_spec_has_the_same_fingerprint_in_every_process() -> None:
    """No set or dictionary order of one run gets into it."""
    text = tiny('name = "x", kind = "code", codes = { a = 1, b = 0, c = 3 }', rest='[integrity]\ncrc = "CRC-8/SMBUS"')
    code = "import sys, ullage; print(ullage.loads(sys.stdin.read()).fingerprint)"
    seeds = random.Random(1).sample(range(1 << 32), 2)
    prints = {
        subprocess.run(
            [sys.executable, "-c", code],
            input=text,
            capture_output=True,
            text=True,
            check=True,
            env={**os.environ, "PYTHONHASHSEED": str(seed)},
        ).stdout.strip()
        for seed in seeds
    }
    assert prints == {ullage.loads(text).fingerprint}
