"""The columns beside the scalar codec: whole tables of frames at once, and each row compared with one by one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

import ullage
from ullage import columns


def told(protocol: ullage.Protocol, octets: bytes, at: int | None) -> tuple[int, str | None, dict[str, Any]]:
    """What the scalar codec says: reason, frame, values."""
    try:
        message = protocol.decode(octets, at)
    except ullage.Refused as refused:
        return int(refused.reason), None, {}
    return 0, message.frame, message.values


def same(found: dict[str, Any], expected: dict[str, Any]) -> bool:
    """Whether values are the same, in order, type and all: 1 is neither 1.0 nor true."""
    kinds = [[(name, type(value)) for name, value in values.items()] for values in (found, expected)]
    return found == expected and kinds[0] == kinds[1]


def tables(cases: Iterable[bytes]) -> list[tuple[list[bytes], Any]]:
    """The cases sorted by length, each length with its array."""
    by_length: dict[int, list[bytes]] = {}
    for octets in cases:
        by_length.setdefault(len(octets), []).append(octets)
    return [
        (rows, np.frombuffer(b"".join(rows), np.uint8).reshape(len(rows), length)) for length, rows in by_length.items()
    ]


def columns_agree(
    protocol: ullage.Protocol, single: dict[str, ullage.Protocol], cases: list[bytes], at: int | None
) -> None:
    """Every row is what the scalar codec says: by the decoder of each frame alone, and by that of all frames."""
    for name in (name for name, layout in protocol.frames.items() if layout.fixed):
        for rows, table in tables(cases):
            answer = columns.decode(protocol, name, table, at)
            for index, octets in enumerate(rows):
                reason, _, values = told(single[name], octets, at)
                assert answer.reason[index] == reason, f"{name}: {octets.hex(' ')} at {at}"
                assert reason or same(answer.row(index), values), f"{name}: {octets.hex(' ')}"
                masked = {key for key, column in answer.values.items() if np.ma.getmaskarray(column)[index]}
                special = {key for key, value in values.items() if isinstance(value, ullage.Special)}
                assert masked == (set(answer.values) if reason else special)
            if len(table) and answer.fine.any():
                _comes_back(protocol, name, answer, table)
    _sorted_agree(protocol, cases, at)


def _comes_back(protocol: ullage.Protocol, name: str, answer: columns.Columns, table: Any) -> None:
    """What was accepted is written as the same octets."""
    fine = answer.fine
    values = {key: column[fine] for key, column in answer.values.items()}
    special = {key: names[fine] for key, names in answer.special.items()}
    if not values:  # then nothing tells how many rows there are
        return
    octets, status = columns.encode(protocol, name, values, special)
    assert not status.any()
    assert octets.tolist() == table[fine].tolist()


def _sorted_agree(protocol: ullage.Protocol, cases: list[bytes], at: int | None) -> None:
    answer = columns.decode_many(protocol, cases, at)
    found: dict[int, tuple[str, dict[str, Any]]] = {
        number: (message.frame, message.values) for number, message in answer.messages.items()
    }
    for name, rows in answer.rows.items():
        found |= {number: (name, answer.columns[name].row(row)) for row, number in enumerate(rows.tolist())}
    for number, octets in enumerate(cases):
        reason, frame, values = told(protocol, octets, at)
        assert answer.reason[number] == reason, octets.hex(" ")
        assert (number in found) == (reason == 0)
        if not reason:
            assert found[number][0] == frame
            assert same(found[number][1], values), octets.hex(" ")
