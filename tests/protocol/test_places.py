"""What is wrong inside lists and groups is named with its place, when encoding and when decoding."""

from collections.abc import Mapping
from typing import Any

import pytest

import ullage
from support.tiny import load
from support.varied import HISTORY, SUM, VALUES
from ullage.layout import Gate, Repeat, Slot
from ullage.unfold import controls, named

TERRACE = ullage.loads(HISTORY + SUM)
EXTRA: Mapping[str, Any] = {"t": 21.5, "cal": 3.5, "runs": ({"secs": 5},)}


@pytest.mark.parametrize(
    ("changed", "field", "text"),
    [
        ({"readings": ({"level": 1, "ok": True}, {"level": 2501, "ok": True})}, "readings[1].level",
         "readings[1].level: 2501 is outside 0..2500 mm by 1 mm, or no_echo"),
        ({"readings": ({"level": 1, "ok": 2},)}, "readings[0].ok", "readings[0].ok: 2 is neither true or false"),
        ({"readings": ({"level": 1},)}, "readings[0].ok", "history needs readings[0].ok"),
        ({"readings": ({"level": 1, "ok": True, "x": 1},)}, "readings[0].x", "readings[0].x is no field here"),
        ({"extra": {**EXTRA, "cal": "1e39"}}, "extra.cal",
         "extra.cal: 1e39 is not at most 3.40282347e+38 either way"),
        ({"extra": {**EXTRA, "runs": ()}}, "extra.runs", "extra.runs: 0 items are fewer than 1"),
        ({"extra": {**EXTRA, "runs": ({"secs": 1},) * 4}}, "extra.runs", "extra.runs: 4 items are more than 3"),
        ({"extra": {**EXTRA, "n": 2}}, "extra.n", "extra.n is 2, and what is given makes 1"),
        ({"number": 1}, "number", "number is 1, and what is given makes 2"),
        ({"number": "many"}, "number", "number: 'many' is no number"),
    ],
)  # fmt: skip
def test_what_cannot_be_sent_is_named_with_its_place(changed: dict[str, Any], field: str, text: str) -> None:
    with pytest.raises(ullage.EncodeError) as caught:
        TERRACE.encode("history", VALUES | changed)
    assert (caught.value.field, str(caught.value)) == (field, text)
    assert caught.value.frame == "history"


def test_a_count_that_agrees_may_be_given_in_any_way_a_number_can() -> None:
    for count in (2, "2", 2.0):
        assert TERRACE.encode("history", VALUES | {"number": count}) == TERRACE.encode("history", VALUES)


def test_a_wrong_count_inside_a_group_is_refused_with_its_place() -> None:
    body = TERRACE.encode("history", VALUES | {"readings": ()})[:-1]
    layout = TERRACE.frames["history"]
    count = next(slot for name, slot in named(layout.entries, _count) if name == "extra.n")
    word = int.from_bytes(body, "big") & ~(3 << (8 * len(body) - count.end))
    assert TERRACE.integrity is not None
    body = word.to_bytes(len(body), "big")
    octets = body + bytes([TERRACE.integrity.check.compute(body)])
    with pytest.raises(ullage.Refused) as caught:
        TERRACE.decode(octets)
    assert (str(caught.value.reason), caught.value.field) == ("wrong_count", "n")
    assert str(caught.value) == "extra.n: 0 is no count of runs; 1..3 items"


def _count(entry: Repeat | Gate, _: Slot) -> int:
    return {"readings": 0, "extra": 1, "runs": 1}[entry.name]


def test_a_row_ends_where_a_count_is_not_known() -> None:
    entries = TERRACE.frames["history"].entries
    asked = named(entries, lambda entry, _: None if entry.name == "runs" else _count(entry, _))
    names = [name for name, _ in asked]
    assert names[-1] == "extra.n"
    assert [name for name, _ in named(entries, _count)][-2:] == ["extra.runs[0].secs", "last"]


def test_counts_and_flags_of_a_scope_are_those_that_its_lists_and_groups_name() -> None:
    layout = TERRACE.frames["history"]
    assert controls(layout.entries) == {"number", "has_extra"}
    extra = next(entry for entry in layout.entries if isinstance(entry, Gate))
    assert controls(extra.entries) == {"n"}


@pytest.mark.parametrize(
    ("header", "rest", "text", "expected"),
    [
        ("{ name = 's', kind = 'source', bits = 16 }", 'crc = "CRC-16/ARC"', "1 octet; header and CRC take 4", 4),
        ("", 'crc = "CRC-16/ARC"', "1 octet; CRC takes 2", 2),
        ("", "sum = { bits = 16 }", "1 octet; sum takes 2", 2),
        ("{ name = 's', kind = 'source', bits = 16 }", "", "1 octet; header takes 2", 2),
    ],
)
def test_too_short_speaks_of_what_every_frame_has(header: str, rest: str, text: str, expected: int) -> None:
    """A frame that holds header and check may still be shorter than any: that is wrong_length, not too_short."""
    rest = f"[integrity]\n{rest}" if rest else ""
    protocol = load('name = "x", kind = "octets", octets = 9', header=header, rest=rest)
    with pytest.raises(ullage.Refused) as caught:
        protocol.decode(b"\0")
    assert str(caught.value.reason) == "too_short"
    assert (str(caught.value), caught.value.expected) == (text, f"at least {expected} octets")
