"""What cannot be sent and what was never saved: the emitted module and the toolkit refuse it alike."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

import ullage
from support.python_module_end import complaint
from support.sealed_module import (
    HUB,
    NODE,
    Both,
    Given,
    answer,
    octets_of_keys,
    one,
    ours,
    pair,
    sent,
    values_for,
)
from support.sealed_specs import SEALED
from ullage.seal import SealError


def damaged() -> Iterator[Any]:
    window = {"top": "9", "mask": "0000000000000001"}
    good = {"protocol": "garden", "key": 17, "source": 17, "window": window}
    yield from (None, {}, "[]", [None], [5], [{}], [{**good, "more": 1}], [{**good, "protocol": 1}], [good, {}])
    stations: tuple[Any, ...] = ("17", 1.0, True, [], {})
    for key in stations:
        yield from ([{**good, "key": key}], [{**good, "source": key}])
    yield [{**good, "source": None}]
    windows: tuple[Any, ...] = (5, [], {}, {"top": 9, "mask": "0000000000000001"}, {**window, "more": 1}, "x")
    for wrong in windows:
        yield [{**good, "window": wrong}]
    for top in ("", "-1", "09", " 9", "9.0", "x", str(1 << 64), "1" * 30, "\u0669", None):
        yield [{**good, "window": {**window, "top": top}}]
    for mask in (
        "",
        "1",
        "0" * 16,
        "0" * 15 + "2",
        "000000000000000G",
        "00000000000000FF",
        "f" * 16,
        "0x00000000000001",
    ):
        yield [{**good, "window": {**window, "mask": mask}}]
    yield from ([{**good, "window": None}], [good], [good, good], [{**good, "key": None}], [{**good, "protocol": "x"}])


@pytest.mark.parametrize("saved", list(damaged()), ids=repr)
def test_saved_windows_are_taken_up_or_refused_alike_and_whole(saved: Any) -> None:
    both = Both(SEALED["orchard"])
    both.decode(one(SEALED["orchard"], "report", 77))
    before = both.ours.saved()
    ours_said = answer(lambda: both.ours.restore(saved), SealError)
    theirs_said = answer(lambda: both.theirs.restore(saved), both.module.SealError)
    assert str(theirs_said) == str(ours_said)
    assert isinstance(theirs_said, both.module.SealError) == isinstance(ours_said, SealError)
    assert both.theirs.saved() == both.ours.saved()
    if ours_said is not None:
        assert both.ours.saved() == before
    for octets in sent(SEALED["orchard"], "report", [9, 10, 8]):
        both.decode(octets)


WRONG: list[tuple[Any, Any]] = [
    ("report", None), ("report", {}), ("report", 5), ("nothing", {}), (5, {}), ("report", {"battery": 99999}),
    ("lid", {"destination": 1}), ("lid", {"destination": 1, "lid_open": 7}), ("order", {"destination": 256}),
]  # fmt: skip
CHANGED = [
    {"distance": 9999}, {"distance": "ajar"}, {"destination": 256}, {"destination": 255}, {"source": 17},
    {"source": 18}, {"source": "17"}, {"sequence": 9}, {"sequence": "x"}, {"more": 1}, {"message": 1},
]  # fmt: skip


@pytest.mark.parametrize("station", [NODE, HUB, 19, 255, 256, -1, "17"], ids=repr)
@pytest.mark.parametrize(
    ("frame", "values"),
    [*WRONG, *((frame, change) for frame in ("report", "order", "lid") for change in CHANGED)],
    ids=repr,
)
def test_what_a_sender_cannot_send_it_refuses_alike_and_uses_up_no_number(
    frame: Any, values: Any, station: Any
) -> None:
    text = SEALED["orchard"]
    protocol, module = pair(text)
    keys = octets_of_keys(protocol)
    if isinstance(values, dict) and frame in protocol.frames and (frame, values) not in WRONG:
        values = {**values_for(protocol.frames[frame], HUB), **values}
    counters = Given(70_000), Given(70_000)
    try:
        found: object = ullage.Sender(protocol, station, ours(keys), counters[0]).encode(frame, values)
    except ullage.EncodeError as error:
        found = complaint(error)
    try:
        other: object = module.Sender(station, keys, counters[1]).encode(frame, values)
    except module.EncodeError as error:
        other = complaint(error)
    assert other == found
    assert len(counters[0].numbers) == len(counters[1].numbers)


@pytest.mark.parametrize("number", [(1 << 32) - 1, 1 << 32, (1 << 32) + 5, -1])
def test_a_counter_at_its_end_is_spent_alike(number: int) -> None:
    protocol, module = pair(SEALED["orchard"])
    keys, values = octets_of_keys(protocol), values_for(protocol.frames["order"], NODE)
    try:
        found: object = ullage.Sender(protocol, HUB, ours(keys), Given(number)).encode("order", values)
    except ullage.EncodeError as error:
        found = complaint(error)
    try:
        other: object = module.Sender(HUB, keys, Given(number)).encode("order", values)
    except module.EncodeError as error:
        other = complaint(error)
    assert other == found
    assert isinstance(found, bytes) == (number == (1 << 32) - 1)
