"""SECURITY.md tells the truth: its figures are worked out anew, and what it names is there."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import pytest

import ullage
from support.sealed_specs import orchard
from ullage.airtime import LoRa
from ullage.seal.window import WIDTH
from ullage.words.describe import air_time, span
from ullage.words.seal_words import chance

TEXT = (Path(__file__).parents[1] / "SECURITY.md").read_text(encoding="utf-8")
ROWS = re.findall(r"^\| (\d+) \| (.+?) \| (.+?) \|$", TEXT, re.MULTILINE)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
def test_the_odds_of_a_tag_are_those_of_a_receiver_as_it_is(row: tuple[str, str, str]) -> None:
    octets = int(row[0])
    protocol = ullage.loads(orchard(seal=f"tag_octets = {octets}\n"))
    assert protocol.seal is not None
    assert protocol.seal.resync == 16
    assert chance(protocol.seal) == Fraction(17, 2 ** (8 * octets))
    each = LoRa(9, 125, "4/5").time_on_air_us(9 + octets)
    assert row[1] == air_time(each)
    assert row[2] == span(Fraction(int(each / chance(protocol.seal) / 1_000_000)))


def test_the_table_has_the_tags_below_and_at_eight_octets() -> None:
    assert [int(octets) for octets, _, _ in ROWS] == [4, 6, 8]


def test_the_line_of_rfc_9147_is_counted_in_numbers_tried() -> None:
    """RFC 9147, appendix B: 2^7 failures of an 8-octet tag; a receiver that tries 17 numbers fails 17 times at once."""
    assert f"where 17 numbers are tried that is {2**7 // 17} failures" in TEXT


def test_the_window_is_as_wide_as_it_says() -> None:
    assert f"until a number {WIDTH} above its own has been accepted" in TEXT
