"""Advice on a seal: each piece states its arithmetic, and is drawn by one spec and not by its neighbour."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest

import ullage
from support.sealed_specs import orchard
from ullage.airtime import LoRa
from ullage.spec.advice import Advice, advice

RADIO = '[radio]\nmodulation = "lora"\nspreading_factor = 9\nbandwidth_khz = 125\ncoding_rate = "4/5"\n'
DESTINATION = re.compile(r'  \{ name = "destination".*\n')


def advised(text: str) -> dict[str, Advice]:
    return {item.code: item for item in advice(ullage.loads(text), text)}


def test_a_sealed_orchard_draws_none_about_its_seal() -> None:
    assert not {"short_tag", "shared_key", "long_silence", "short_sequence"} & advised(orchard() + RADIO).keys()


@pytest.mark.parametrize("tag", [4, 6])
def test_a_short_tag_is_told_with_the_time_that_a_forger_needs(tag: int) -> None:
    """NIST SP 800-38C, appendix B.2; the numbers are worked out anew here."""
    text = orchard(seal=f"tag_octets = {tag}\n") + RADIO
    found = advised(text)["short_tag"]
    octets = 8 - 1 + tag + 2  # the order, the shortest sealed frame: five octets of header, two of its own, a CRC
    each = LoRa(9, 125, "4/5").time_on_air_us(octets) / 1_000_000
    guesses = Fraction(2 ** (8 * tag), 17)
    assert f"a tag of {tag} octets: 1 guess in {int(guesses)} passes (a receiver tries 17 numbers)" in found.text
    days = int(each * guesses / 86_400)
    years = int(each * guesses / 31_557_600)
    assert f"once in {f'{years} years' if years > 1 else f'{days} days'}" in found.text
    assert found.help is not None
    assert found.help.startswith(f"tag_octets = 8 costs {8 - tag} octets more")


def test_without_a_radio_a_short_tag_is_told_per_million_guesses() -> None:
    found = advised(orchard(seal="tag_octets = 4\n"))["short_tag"]
    assert f"of a million guesses {17e6 / 2**32:.2g} pass on average" in found.text


def test_where_the_whole_counter_travels_one_number_is_tried() -> None:
    found = advised(orchard("bits = 32", seal="tag_octets = 4\n"))["short_tag"]
    assert f"1 guess in {2**32} passes; " in found.text


def test_a_key_that_all_share_is_told_with_its_weakness() -> None:
    found = advised(orchard(seal="group_key = true\n"))["shared_key"]
    assert "can send to everybody as the hub" in found.text
    assert found.line == orchard(seal="group_key = true\n").split("\n").index("group_key = true") + 1


def test_frames_without_a_destination_share_the_hubs_key() -> None:
    assert "a key that all who read it must hold" in advised(DESTINATION.sub("", orchard()))["shared_key"].text


def test_a_silence_that_is_soon_too_long_is_told_and_both_ways_out_bridge_a_week() -> None:
    """Two kinds of sealed frames, each once an hour."""

    def spec(bits: int, more: str = "") -> str:
        text = orchard(f"bits = {bits}, counter_bits = 20", seal=more)
        return text.replace('"message",     bits = 8', f'"message",     bits = {16 - bits % 8}')

    found = advised(spec(4, "resync = 3\n"))["long_silence"]
    assert f"after a silence of {16 * 4 // 2} h: 4 bits of its counter travel, and 4 high parts are tried" in found.text
    assert found.help == (
        "bits = 7 in the field sequence bridges a week; resync = 20 does, too, and makes a guessed tag likelier"
    )
    assert "long_silence" in advised(spec(4, "resync = 19\n"))
    assert "long_silence" not in advised(spec(4, "resync = 20\n"))
    assert "long_silence" in advised(spec(6, "resync = 3\n"))
    assert "long_silence" not in advised(spec(7, "resync = 3\n"))


def test_the_whole_counter_of_a_sealed_frame_is_no_short_sequence() -> None:
    assert "short_sequence" not in advised(
        orchard("bits = 4, counter_bits = 25").replace("bits = 8 }", "bits = 4 }", 1).replace('"1 h"', '"1 min"')
    )


def test_spare_bits_that_bring_the_encrypted_part_to_an_octet_are_not_advised_away() -> None:
    text = orchard("bits = 12, counter_bits = 32").replace("SPARE", "")
    with pytest.raises(ullage.SpecError, match="begins inside octet"):
        ullage.loads(text)
    aligned = text.replace(
        "counter_bits = 32 },", 'counter_bits = 32 },\n  { name = "later", kind = "spare", bits = 4 },'
    )
    assert "spare_octet" not in advised(aligned)


def test_a_weak_crc_is_looked_at_over_the_tag_as_well() -> None:
    """CRC-8/SMBUS has HD 4 up to 119 data bits (P. Koopman, polynomial 0x83); with its tag this frame has more."""
    text = orchard(seal="tag_octets = 16\n", check='[integrity]\ncrc = "CRC-8/SMBUS"\n')
    found = advised(text)["weak_crc"]
    assert "over the 24 octets of" in found.text
