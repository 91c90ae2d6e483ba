"""The JavaScript decoder gives the values, readings and refusals of the Python codec, for every case and option."""

import json
import random
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import ullage
from support.cases import received, seal
from support.decoder_answers import DECODER, differs, node_answers
from support.ends import need
from support.protocols import specs
from support.tiny import generated, load
from ullage.binary32 import text_of
from ullage.crc import CHECK_OCTETS, catalogue
from ullage.words.annotate import octets_of

SHIPPED = sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))


@pytest.fixture(autouse=True)
def _node() -> None:
    need("node")


def stations(protocol: ullage.Protocol) -> list[int | None]:
    slot = protocol.destination_slot
    return [None] if slot is None else [None, 1, (1 << slot.bits) - 1]


def agree(protocol: ullage.Protocol, seed: int, most: int = 10_000) -> set[int]:
    """All cases on both, at most so many, drawn by chance; the statuses that came up."""
    rng = random.Random(seed)
    cases = [(octets, at) for octets in received(protocol, rng) for at in stations(protocol)]
    cases = rng.sample(cases, most) if len(cases) > most else cases
    answers = node_answers(protocol, cases)
    for (octets, at), answer in zip(cases, answers, strict=True):
        assert not (fault := differs(protocol, octets, at, answer)), f"{octets.hex(' ')} at {at}: {answer}\n{fault}"
    return {answer["status"] for answer in answers}


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_specs(path: Path) -> None:
    assert 0 in agree(ullage.load(path), 1)


@settings(
    max_examples=40,
    deadline=None,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
@given(specs(), st.integers(0, 2**32))
def test_any_legal_spec(text: str, seed: int) -> None:
    agree(generated(text), seed, most=400)


def test_every_reason_of_a_walk_comes_up() -> None:
    """Lists counted in octets, groups in lists, low octets first, fill bits: each refused as Python refuses."""
    protocol = load(
        'name = "size", kind = "count", range = [2, 30]',
        'name = "more", kind = "flag"',
        'name = "pairs", kind = "list", counted_by = "size", counts = "octets", at_most = 5, field = ['
        ' { name = "x", kind = "measure", unit = "m", range = [-100, 100], step = 0.5, zero = 0, bits = 16 } ]',
        'name = "extra", kind = "group", when = "more", field = [ { name = "t", kind = "binary32", unit = "Cel" } ]',
        rest='[integrity]\nsum = { bits = 16, start = 3, invert = true }\noctet_order = "low_first"',
    )
    assert {0, 1, 2, 3, 6, 12, 13, 14} <= agree(protocol, 2)


def test_every_crc_of_the_catalogue_gives_its_check_value() -> None:
    """Check values: catalogue of parametrised CRC algorithms (G. Cook)."""
    crcs = catalogue()
    names = ("width", "poly", "init", "refin", "refout", "xorout")
    sent = [
        {name: str(getattr(crc, name)) if name in ("poly", "init", "xorout") else getattr(crc, name) for name in names}
        for crc in crcs.values()
    ]
    script = (
        "const d = require(process.argv[1]); const all = JSON.parse(require('fs').readFileSync(0, 'utf8'));"
        "const octets = Array.from('123456789', (letter) => letter.charCodeAt(0));"
        "process.stdout.write(JSON.stringify(all.map((one) => String(d.crcOf(one, octets)))));"
    )
    made = subprocess.run(
        ["node", "-e", script, str(DECODER)], input=json.dumps(sent), capture_output=True, text=True, check=True
    )
    assert len(crcs) > 90
    assert [int(text) for text in json.loads(made.stdout)] == [crc.compute(CHECK_OCTETS) for crc in crcs.values()]


def test_single_precision_numbers_read_the_same_to_the_last_digit() -> None:
    """Every exponent, the ends of the fraction, and 4194303.25, where the eighth digit is a tie in decimal text."""
    protocol = load('name = "x", kind = "binary32", unit = ""')
    rng = random.Random(5)
    tie = struct.unpack(">I", struct.pack(">f", 4194303.25))[0]
    codes = [tie, tie | 0x80000000, 0, 0x80000000, 1, 2, 0x7FFFFF, 0x7F7FFFFF, 0x3DCCCCCD]
    codes += [exponent << 23 | fraction for exponent in range(255) for fraction in (0, 1, 0x7FFFFF)]
    codes += [rng.getrandbits(32) & ~0x40000000 for _ in range(3000)]
    codes += [rng.getrandbits(32) for _ in range(1000)]
    cases = [(code.to_bytes(4, "big"), None) for code in codes]
    for (octets, _), answer in zip(cases, node_answers(protocol, cases), strict=True):
        assert not (fault := differs(protocol, octets, None, answer)), f"{octets.hex()}: {answer}\n{fault}"
    assert text_of(4194303.25) == "4194303.2"


def test_times_read_the_same() -> None:
    """UTC up to the year 9999 and beyond it, days and times since a start, with and without decimals."""
    protocol = load(
        'name = "a", kind = "time", bits = 48, step = 1, epoch = "unix"',
        'name = "b", kind = "time", bits = 32, step = 0.001, epoch = "start"',
        'name = "c", kind = "time", bits = 40, step = 60, epoch = "unix"',
    )
    rng = random.Random(6)
    last = 253_402_300_799  # 9999-12-31T23:59:59Z
    moments = [0, last, last + 1, (1 << 48) - 1, *(rng.randint(0, last) for _ in range(50))]
    cases = [(moment.to_bytes(6, "big") + rng.randbytes(4) + rng.randbytes(5), None) for moment in moments]
    for (octets, _), answer in zip(cases, node_answers(protocol, cases), strict=True):
        assert not (fault := differs(protocol, octets, None, answer)), f"{octets.hex()}: {answer}\n{fault}"


HEX = ["", "21 01", "210111", "21:1:11", "{0x21, 0x01}", "\\x21\\x01", "0x21u,0X01U", "(21)", "2 1", "'21'\n01", "abc"]
NO_HEX = ["zz", "21 0g", "123", "level 21", "0x", "ÿ", "21;01;x" * 20]


@pytest.mark.parametrize("text", [*HEX, *NO_HEX])
def test_hex_is_read_as_explain_reads_it(text: str) -> None:
    script = (
        "const d = require(process.argv[1]); const text = require('fs').readFileSync(0, 'utf8'); let said;"
        "try { said = Buffer.from(d.octetsOf(text)).toString('hex'); } catch (error) { said = error.message; }"
        "process.stdout.write(said);"
    )
    made = subprocess.run(["node", "-e", script, str(DECODER)], input=text, capture_output=True, text=True, check=True)
    try:
        wanted = octets_of(text).hex()
    except ValueError as error:
        wanted = str(error)
    assert made.stdout == wanted


def test_a_wrong_station_is_the_callers_fault() -> None:
    protocol = ullage.load(next(path for path in SHIPPED if path.stem == "orchard"))
    octets = seal(protocol, bytes(8))
    with pytest.raises(AssertionError, match="256 is no station"):
        node_answers(protocol, [(octets, 256)])


def test_the_decoder_uses_no_network_no_eval_and_no_page() -> None:
    text = DECODER.read_text(encoding="ascii")
    for word in ("eval", "Function(", "fetch", "XMLHttpRequest", "import", "document", "window", "http"):
        assert word not in text.split("*/", 1)[1], word
