"""Two revisions beside each other: what changed, who understands whom, which end comes first."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import pytest

import ullage
from support.varied import CRC, HISTORY
from ullage.revisions.as_data import as_data
from ullage.revisions.compare import Comparison, FrameComparison, compare
from ullage.revisions.meaning import Renames
from ullage.revisions.outcome import Verdict
from ullage.status import Status

ORCHARD = (Path(__file__).parents[2] / "spec" / "orchard.toml").read_text(encoding="utf-8")
BARE = """
[protocol]
name = "well"
[[frame]]
name = "report"
field = [
  { name = "level", kind = "measure", unit = "mm", range = [0, 2000], step = 1, bits = 11 },
  { name = "open",  kind = "flag" },
  { name = "free",  kind = "spare", bits = 4 },
]
[integrity]
crc = "CRC-16/IBM-3740"
"""


def held(old: str, new: str, **renamed: str) -> Comparison:
    assert old != new
    return compare(ullage.loads(old), ullage.loads(new), Renames(renamed))


def only(comparison: Comparison) -> FrameComparison:
    (frame,) = comparison.frames
    return frame


def verdicts(frame: FrameComparison) -> tuple[Verdict, Verdict]:
    """Of old frames at a new receiver, and of new ones at an old receiver."""
    assert frame.new_reads_old is not None
    assert frame.old_reads_new is not None
    return frame.new_reads_old.verdict, frame.old_reads_new.verdict


def test_the_same_wire_is_the_same_whatever_the_comments_say() -> None:
    comparison = held(ORCHARD, ORCHARD.replace("One reading of one sensor", "A reading"))
    assert comparison.same
    assert not comparison.clash
    assert not comparison.finding
    assert comparison.first == "any"
    assert not any(frame.changes for frame in comparison.frames)


def test_a_higher_revision_is_refused_alone_and_understood_by_a_receiver_of_both() -> None:
    comparison = held(ORCHARD, ORCHARD.replace("revision = 1\n", "revision = 2\n").replace("6000", "8000"))
    for frame in comparison.frames:
        assert verdicts(frame) == (Verdict.REFUSES, Verdict.REFUSES)
        assert frame.new_reads_old is not None
        assert list(frame.new_reads_old.refused) == [Status.OTHER_REVISION]
        assert frame.both_reads_old is not None
        assert frame.both_reads_old.verdict is Verdict.UNDERSTANDS
        assert frame.both_reads_new is not None
        assert frame.both_reads_new.verdict is Verdict.UNDERSTANDS
    assert (comparison.first, comparison.needs_both, comparison.finding) == ("receiver", True, False)
    assert [change.name for change in comparison.common] == ["revision"]


def test_one_revision_number_with_two_layouts_is_a_finding() -> None:
    comparison = held(ORCHARD, ORCHARD.replace("6000", "8000"))
    assert comparison.clash
    assert comparison.finding
    assert not comparison.misread


def test_a_widened_range_is_understood_by_the_new_end_and_refused_beyond_by_the_old() -> None:
    frame = only(held(BARE, BARE.replace("2000", "2047")))
    assert verdicts(frame) == (Verdict.UNDERSTANDS, Verdict.SOME)
    assert frame.old_reads_new is not None
    assert frame.old_reads_new.refused[Status.NOT_A_VALUE].field == "level"
    assert [(change.name, change.text) for change in frame.changes] == [
        ("level", "0..2000 mm by 1 mm → 0..2047 mm by 1 mm, still 11 bits")
    ]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('unit = "mm", range = [0, 2000]', 'unit = "cm", range = [0, 2000]', "mm was sent"),
        ("step = 1,", "step = 0.5, zero = 0,", "mm was sent"),
        ("step = 1,", "step = 1, zero = -5,", "mm was sent"),
        ('"open",  kind = "flag"', '"shut",  kind = "flag"', "shut was not sent, and"),
    ],
)
def test_a_change_of_meaning_on_the_same_bits_is_found(old: str, new: str, said: str) -> None:
    text = BARE.replace(old, new)
    comparison = held(BARE, text.replace("range = [0, 2000]", "range = [0, 1000]") if "0.5" in new else text)
    assert comparison.misread
    frame = only(comparison)
    assert frame.new_reads_old is not None
    assert any(said in str(difference) for difference, _ in frame.new_reads_old.misread)


def test_the_same_amount_in_another_unit_is_understood() -> None:
    metres = BARE.replace('unit = "mm", range = [0, 2000], step = 1', 'unit = "m", range = [0, 2], step = 0.001')
    assert verdicts(only(held(BARE, metres))) == (Verdict.UNDERSTANDS, Verdict.UNDERSTANDS)


def test_swapped_choices_are_misread_with_both_readings() -> None:
    comparison = held(ORCHARD, ORCHARD.replace("half = 1, open = 2 }, role", "half = 2, open = 1 }, role"))
    (frame,) = comparison.misread
    assert frame.name == "valve_order"
    assert frame.new_reads_old is not None
    (difference, example), *_ = frame.new_reads_old.misread
    assert (difference.sent, difference.read) in (("half", "open"), ("open", "half"))
    assert comparison.old.decode(example.octets)["valve"] == difference.sent
    assert comparison.new.decode(example.octets)["valve"] == difference.read


def test_a_new_name_is_another_thing_until_somebody_says_that_it_is_not() -> None:
    new = BARE.replace('"level"', '"depth"')
    assert held(BARE, new).misread
    comparison = held(BARE, new, level="depth")
    assert not comparison.misread
    assert verdicts(only(comparison)) == (Verdict.UNDERSTANDS, Verdict.UNDERSTANDS)


def test_a_value_in_former_spare_bits_is_invented_for_old_senders() -> None:
    new = BARE.replace(
        '{ name = "free",  kind = "spare", bits = 4 }',
        '{ name = "pump", kind = "flag" }, { name = "free",  kind = "spare", bits = 3 }',
    )
    frame = only(held(BARE, new))
    assert verdicts(frame) == (Verdict.MISREADS, Verdict.SOME)
    assert frame.old_reads_new is not None
    assert list(frame.old_reads_new.refused) == [Status.SPARE_NOT_ZERO]
    assert frame.old_reads_new.unseen == ("pump",)


def test_a_condition_at_code_zero_or_a_group_in_former_spare_bits_is_understood() -> None:
    special = BARE.replace(
        '{ name = "free",  kind = "spare", bits = 4 }',
        '{ name = "fill", kind = "count", range = [1, 9], bits = 4, zero = 0 }',
    )
    with pytest.raises(ullage.SpecError):
        ullage.loads(special)  # a count takes no condition: a measure does
    special = BARE.replace(
        '{ name = "free",  kind = "spare", bits = 4 }',
        '{ name = "fill", kind = "measure", unit = "%", range = [10, 90], step = 10, zero = 0,'
        " special = { not_sent = 0 }, bits = 4 }",
    )
    assert verdicts(only(held(BARE, special)))[0] is Verdict.UNDERSTANDS
    group = BARE.replace(
        '{ name = "free",  kind = "spare", bits = 4 }',
        '{ name = "more", kind = "flag" }, { name = "free",  kind = "spare", bits = 3 },'
        ' { name = "extra", kind = "group", when = "more", field = [ { name = "t", kind = "count", bits = 8 } ] }',
    )
    assert verdicts(only(held(BARE, group)))[0] is Verdict.UNDERSTANDS


def test_another_crc_is_refused_but_for_luck() -> None:
    frame = only(held(BARE, BARE.replace("IBM-3740", "KERMIT")))
    assert verdicts(frame) == (Verdict.REFUSES, Verdict.REFUSES)
    assert frame.new_reads_old is not None
    assert frame.new_reads_old.lucky == 16


def test_a_crc_that_differs_by_a_constant_never_passes() -> None:
    frame = only(held(BARE, BARE.replace("IBM-3740", "XMODEM")))
    assert frame.new_reads_old is not None
    assert (frame.new_reads_old.verdict, frame.new_reads_old.lucky) == (Verdict.REFUSES, None)


def test_a_weak_check_makes_luck_a_misreading() -> None:
    old = BARE.replace('crc = "CRC-16/IBM-3740"', 'crc = "CRC-8/SMBUS"')
    new = BARE.replace('crc = "CRC-16/IBM-3740"', 'crc = "CRC-8/MAXIM-DOW"').replace('"open"', '"shut"')
    frame = only(held(old, new))
    assert verdicts(frame) == (Verdict.MISREADS, Verdict.MISREADS)
    assert frame.new_reads_old is not None
    assert frame.new_reads_old.lucky == 8


def test_without_a_check_the_other_ends_crc_is_read_as_fields() -> None:
    none = BARE.partition("[integrity]")[0].replace(
        "bits = 4 }", "bits = 4 }, { name = 'tail', kind = 'octets', octets = 2 }"
    )
    frame = only(held(BARE, none))
    assert frame.new_reads_old is not None
    assert next(str(one[0]) for one in frame.new_reads_old.misread).startswith("tail was not sent, and ")


def test_new_and_lost_frames_are_told() -> None:
    comparison = held(ORCHARD, ORCHARD.replace('name = "acknowledgement"\nmessage = 4', 'name = "answer"\nmessage = 5'))
    new, gone = comparison.frames[-2:]
    assert (new.old, new.new, gone.old, gone.new) == (None, "answer", "acknowledgement", None)
    assert new.old_reads_new is not None
    assert list(new.old_reads_new.refused) == [Status.UNKNOWN_MESSAGE]
    assert gone.new_reads_old is not None
    assert list(gone.new_reads_old.refused) == [Status.UNKNOWN_MESSAGE]


def test_a_frame_under_a_new_name_is_paired_by_its_code() -> None:
    comparison = held(ORCHARD, ORCHARD.replace('name = "acknowledgement"', 'name = "answer"'))
    frame = comparison.frames[-1]
    assert (frame.old, frame.new) == ("acknowledgement", "answer")
    assert frame.changes[0].text == "acknowledgement is now answer"
    assert frame.misread


def test_lists_and_groups_are_compared_item_by_item() -> None:
    old = HISTORY + CRC
    comparison = held(old, old.replace("range = [0, 2500], step = 1, special", "range = [0, 5000], step = 2, special"))
    frame = comparison.frames[0]
    assert [change.name for change in frame.changes] == ["readings.level"]
    assert frame.new_reads_old is not None
    assert next(one[0].path for one in frame.new_reads_old.misread).startswith("readings[")
    longer = held(old, old.replace('counted_by = "number", at_most = 4', 'counted_by = "number", at_most = 6'))
    assert verdicts(longer.frames[0]) == (Verdict.UNDERSTANDS, Verdict.SOME)


def test_the_data_is_json_and_carries_every_verdict() -> None:
    comparison = held(ORCHARD, ORCHARD.replace("half = 1, open = 2 }, role", "half = 2, open = 1 }, role"))
    data = json.loads(json.dumps(as_data(comparison)))
    assert data["misread"] == ["valve_order"]
    assert data["revision_clash"] is True
    assert data["frames"][2]["new_reads_old"]["verdict"] == "misreads"
    assert data["frames"][0]["before"] == {"least_octets": 10, "octets": 10, "air_ms": 144.384}


TABLE = {
    "another summary": (ORCHARD.replace("One reading of one sensor", "A reading"), None),
    "range widened": (BARE.replace("2000", "2047"), None),
    "range narrowed": (BARE, BARE.replace("2000", "2047")),
    "a new frame": (
        ORCHARD.replace("[integrity]", '[[frame]]\nname = "extra"\nmessage = 9\nfield = []\n[integrity]'),
        None,
    ),
    "a group or a condition": (
        BARE.replace(
            '"spare", bits = 4 }', '"measure", unit = "", range = [1, 9], step = 1, zero = 0, special = { no = 0 } }'
        ),
        None,
    ),
    "any other field in spare bits": (BARE.replace('"spare", bits = 4', '"count", bits = 4'), None),
    "another step, zero or unit": (BARE.replace('unit = "mm"', 'unit = "cm"'), None),
    "fields added, taken away or moved": (BARE.replace('"spare", bits = 4', '"count", bits = 12'), None),
    "another CRC": (BARE.replace("IBM-3740", "KERMIT"), None),
}
"""Row of FORMAT's table -> the new spec, and the old one where it is not BARE or the orchard."""

SAID = {
    "understands": Verdict.UNDERSTANDS,
    "refuses": Verdict.REFUSES,
    "misreads": Verdict.MISREADS,
    "nothing to read": None,
}


def rows() -> dict[str, tuple[str, str]]:
    """The table in FORMAT that says what a change does: its rows by their first words."""
    page = (Path(__file__).parents[2] / "spec" / "FORMAT.md").read_text(encoding="utf-8")
    lines = page.partition("| change, same revision |")[2].splitlines()[2:]
    cells = [line.strip("| ").split(" | ") for line in itertools.takewhile(lambda line: line.startswith("|"), lines)]
    return {row: (one, other) for row, one, other in cells}


@pytest.mark.parametrize("start", TABLE)
def test_the_table_of_changes_in_format_is_true(start: str) -> None:
    (row,) = [cells for name, cells in rows().items() if name.startswith(start)]
    new, old = TABLE[start]
    comparison = held(old or (ORCHARD if "orchard" in new else BARE), new)
    frame = comparison.frames[-1]
    for cell, result in zip(row, frame.across, strict=True):
        told = [verdict for word, verdict in SAID.items() if word in cell.replace("*", "")]
        if result is None:
            assert "nothing to read" in cell
        elif result.verdict is Verdict.SOME:
            assert (
                {Verdict.UNDERSTANDS, Verdict.REFUSES} <= set(told)
                or "once it is used" in cell
                or "does not see" in cell
            )
        else:
            assert result.verdict in told, (start, cell, result.verdict)


def test_no_row_of_that_table_is_left_out() -> None:
    assert len(rows()) == len(TABLE)


def test_a_rename_concerns_only_the_frames_that_have_both_names() -> None:
    new = ORCHARD.replace('{ name = "valve",       kind = "code"', '{ name = "gate",        kind = "code"')
    comparison = held(ORCHARD, new, valve="gate")
    assert not comparison.misread
    assert [frame.name for frame in comparison.frames if frame.changes] == []
    assert [frame.name for frame in held(ORCHARD, new).misread] == ["status_report"]
