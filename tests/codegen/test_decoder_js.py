"""The emitted JavaScript reads single precision, times, hex, checks and walks as the Python codec does."""

import json
import random
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

import ullage
from support.cases import received, seal
from support.decoder_answers import differs
from support.ends import need
from support.javascript_end import JavaScriptEnd
from support.tiny import load
from ullage.binary32 import text_of
from ullage.crc import CHECK_OCTETS, catalogue
from ullage.words.annotate import octets_of
from ullage_codegen.javascript.module import engine
from ullage_codegen.javascript.tables import crc_table

SHIPPED = sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))


@pytest.fixture(autouse=True)
def _node() -> None:
    need("node")


def node_answers(protocol: ullage.Protocol, cases: Sequence[tuple[bytes, int | None]]) -> list[dict[str, Any]]:
    return JavaScriptEnd(protocol).decode(cases)


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
    octets = list(received(protocol, random.Random(2)))
    answers = node_answers(protocol, [(one, None) for one in octets])
    for one, answer in zip(octets, answers, strict=True):
        assert not (fault := differs(protocol, one, None, answer)), f"{one.hex(' ')}: {answer}\n{fault}"
    assert {0, 1, 2, 3, 6, 12, 13, 14} <= {answer["status"] for answer in answers}


def test_every_crc_of_the_catalogue_gives_its_check_value() -> None:
    """Check values: catalogue of parametrised CRC algorithms (G. Cook)."""
    crcs = catalogue()
    sent = json.dumps([crc_table(crc) for crc in crcs.values()])
    octets = list(CHECK_OCTETS)
    program = f"const answers = {sent}.map((one) => hexOf(crcOf(one, {octets})));"
    answers = JavaScriptEnd(load('name = "a", kind = "flag"')).run(program)
    assert len(crcs) > 90
    assert [int(text, 16) for text in answers] == [crc.compute(CHECK_OCTETS) for crc in crcs.values()]


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


def test_hex_is_read_as_explain_reads_it() -> None:
    texts = [*HEX, *NO_HEX]
    program = (
        f"const answers = {json.dumps(texts)}.map((text) => {{"
        " try { return hexOf(Array.from(octetsOf(text))); } catch (error) { return error.message; } });"
    )
    wanted = []
    for text in texts:
        try:
            wanted.append(octets_of(text).hex())
        except ValueError as error:
            wanted.append(str(error))
    assert JavaScriptEnd(load('name = "a", kind = "flag"')).run(program) == wanted


def test_a_wrong_station_is_the_callers_fault() -> None:
    protocol = ullage.load(next(path for path in SHIPPED if path.stem == "orchard"))
    octets = seal(protocol, bytes(8))
    with pytest.raises(AssertionError, match=r"RangeError: 256 is no station; 0\.\.255 are"):
        node_answers(protocol, [(octets, 256)])


def test_the_engine_uses_no_network_no_eval_and_no_page() -> None:
    for word in ("eval", "Function(", "fetch", "XMLHttpRequest", "import", "require", "document", "window", "http"):
        assert word not in engine(), word
