"""Two libraries that know nothing of our offsets read the same octets to the same raw numbers as the codec.

construct reads what `as_construct` describes; bitstruct is given nothing but the widths, in order.
"""

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bitstruct
import construct
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import ullage
from support.cases import received
from support.protocols import specs
from support.tiny import generated, load
from ullage.bodies import length_of
from ullage.layout import Entry, Fixed, Gate, Length, Repeat, Slot
from ullage.values import writer

SHIPPED = [ullage.load(path) for path in sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))]
SEEN_BY_BOTH = {
    "integrity",
    "other_revision",
    "unknown_message",
    "wrong_length",
    "wrong_count",
    "wrong_constant",
    "spare_not_zero",
}
"""What construct refuses as well: everything but rules about values, addresses and shortness by itself."""


def raw_codes(
    entries: tuple[Entry, ...], values: dict[str, Any], frame: str, length: int
) -> Iterator[tuple[Slot, int]]:
    """Every slot in wire order with its bits, worked back from the codec's values."""
    for entry in entries:
        if isinstance(entry, Repeat):
            for item in values[entry.name]:
                yield from raw_codes(entry.entries, item, frame, length)
        elif isinstance(entry, Gate):
            if values[entry.name] is not None:
                yield from raw_codes(entry.entries, values[entry.name], frame, length)
        elif isinstance(entry.transform, Fixed):
            yield entry, entry.transform.value
        elif isinstance(entry.transform, Length):
            yield entry, entry.turned(length_of(entry, length))
        else:
            yield entry, writer(entry, frame)(values[entry.name])


def parsed_codes(entries: tuple[Entry, ...], parsed: Any) -> Iterator[int]:
    """The same from what construct parsed, slots without a name left out."""
    for entry in entries:
        if isinstance(entry, Slot):
            if entry.name:
                yield entry.turned(parsed[entry.name])
        else:
            inner = parsed[entry.name]
            for one in inner if isinstance(entry, Repeat) else [] if inner is None else [inner]:
                yield from parsed_codes(entry.entries, one)


def agree(protocol: ullage.Protocol, seed: int) -> set[str]:
    """Compare all three readings of all kinds of octets. Returns the codec's reasons."""
    seen, described = set(), protocol.as_construct()
    lengths = any(layout.length_slot for layout in protocol.frames.values())
    for octets in received(protocol, random.Random(seed)):
        try:
            message = protocol.decode(octets)
        except ullage.Refused as refused:
            seen.add(str(refused.reason))
            if str(refused.reason) in SEEN_BY_BOTH and not (lengths and refused.reason is ullage.Status.WRONG_LENGTH):
                with pytest.raises(construct.ConstructError):
                    described.parse(octets)
            continue
        seen.add("fine")
        layout = protocol.frames[message.frame]
        codes = list(raw_codes(layout.entries, message.values, message.frame, len(octets)))
        parsed = described.parse(octets)
        assert parsed.frame == message.frame
        assert list(parsed_codes(layout.entries, parsed.body.value)) == [code for slot, code in codes if slot.name]
        widths = "".join(f"u{slot.bits}" for slot, _ in codes)
        body = octets[: len(octets) - protocol.check_octets]
        assert list(bitstruct.unpack(widths, octets)) == [code for _, code in codes]
        assert bitstruct.pack(widths, *(code for _, code in codes)) == body
    return seen


@pytest.mark.parametrize("protocol", SHIPPED, ids=lambda protocol: protocol.name)
def test_three_readings_of_a_shipped_spec_agree(protocol: ullage.Protocol) -> None:
    assert agree(protocol, 1) >= {"fine", "integrity", "wrong_length"}


@settings(derandomize=True, deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
@given(specs(), st.integers(0, 2**32))
def test_three_readings_of_generated_specs_agree(text: str, seed: int) -> None:
    assert "fine" in agree(generated(text), seed)


CRC_AND_CONSTANT = load(
    'name = "mark", kind = "constant", bits = 4, value = 9',
    'name = "x", kind = "count", bits = 12',
    rest='[integrity]\ncrc = "CRC-16/KERMIT"',
)


def test_construct_refuses_a_wrong_crc_and_a_wrong_constant_by_itself() -> None:
    octets = CRC_AND_CONSTANT.encode("a", {"x": 0xABC})
    described = CRC_AND_CONSTANT.as_construct("a")
    parsed = described.parse(octets)
    assert (parsed.frame, parsed.body.value.x, parsed.check) == ("a", 0xABC, int.from_bytes(octets[2:], "little"))
    with pytest.raises(construct.ChecksumError):
        described.parse(octets[:-1] + bytes([octets[-1] ^ 1]))
    with pytest.raises(construct.ConstError):
        described.parse(b"\x8a\xbc" + octets[2:])
    with pytest.raises(construct.TerminatedError):
        described.parse(octets + b"\0")
    with pytest.raises(construct.StreamError):
        described.parse(octets[:-1])


def test_construct_builds_what_it_has_parsed() -> None:
    for protocol in SHIPPED:
        for name, layout in protocol.frames.items():
            if layout.sealing:  # without a key there is nothing to hold it against
                continue
            octets = next(octets for octets in received(protocol, random.Random(2)) if _frame(protocol, octets) == name)
            described = protocol.as_construct(name)
            assert described.build(described.parse(octets)) == octets


def _frame(protocol: ullage.Protocol, octets: bytes) -> str | None:
    try:
        return protocol.decode(octets).frame
    except ullage.Refused:
        return None


def test_construct_describes_one_frame_or_all_and_no_other() -> None:
    orchard = next(protocol for protocol in SHIPPED if protocol.name == "orchard")
    octets = next(octets for octets in received(orchard, random.Random(2)) if _frame(orchard, octets) == "valve_order")
    assert orchard.as_construct().parse(octets).frame == "valve_order"
    with pytest.raises(construct.ConstructError):
        orchard.as_construct("level_report").parse(octets)
    with pytest.raises(KeyError):
        orchard.as_construct("no_such_frame")
