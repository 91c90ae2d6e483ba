"""The invented log is the same for a seed, its truth is exact, and it has what goes wrong on real air."""

import hashlib
import json
import re
import subprocess
import sys
from collections import Counter, defaultdict
from datetime import UTC, datetime
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

import ullage
from support.varied import HISTORY, SUM, UART
from ullage import Protocol, Refused
from ullage.simulation.simulate import MOST_FRAMES, Happening, simulate

ORCHARD = Path(__file__).parents[2] / "spec" / "orchard.toml"

SPECS = {
    "no header, no CRC": """
        [protocol]
        name = "gauge"
        [[frame]]
        name = "level"
        field = [{ name = "height", kind = "measure", unit = "mm", range = [0, 250], step = 1 }]
    """,
    "one octet and a small CRC": """
        [protocol]
        name = "gauge"
        [[frame]]
        name = "level"
        field = [{ name = "height", kind = "count", bits = 7 }, { name = "dry", kind = "flag" }]
        [integrity]
        crc = "CRC-8/SMBUS"
    """,
    "addresses of one and three bits, frames of two lengths": """
        [protocol]
        name = "gauge"
        [header]
        field = [
          { name = "message", kind = "message", bits = 1 },
          { name = "to", kind = "destination", bits = 1, broadcast = 1 },
          { name = "sender", kind = "source", bits = 3 },
        ]
        [[frame]]
        name = "level"
        message = 0
        field = [
          { name = "height", kind = "measure", unit = "m", range = [-5, 99.5], step = 0.5, special = ["dry"] },
          { name = "label", kind = "text", octets = 3 },
          { name = "now", kind = "time", bits = 20, epoch = "unix" },
        ]
        [[frame]]
        name = "gate_order"
        message = 1
        field = [
          { name = "opaque", kind = "octets", octets = 4, role = "order" },
          { name = "five", kind = "constant", bits = 3, value = 5 },
          { name = "number", kind = "sequence", bits = 5 },
        ]
        [integrity]
        crc = "CRC-3/GSM"
    """,
    "64 bits, covers_from, low octet first": """
        [protocol]
        name = "gauge"
        revision = 3
        [header]
        field = [
          { name = "mark", kind = "constant", bits = 16, value = 0x5AA5 },
          { name = "version", kind = "revision", bits = 4 },
          { name = "sender", kind = "source", bits = 64 },
        ]
        [[frame]]
        name = "level"
        interval = "1 year"
        field = [
          { name = "total", kind = "count", bits = 64 },
          { name = "depth", kind = "measure", unit = "nm", range = [-9e15, 9e15], step = 1, special = ["wet"] },
          { name = "since", kind = "time", bits = 64, epoch = "start" },
        ]
        [integrity]
        crc = "CRC-32/ISO-HDLC"
        covers_from = "version"
    """,
    "a destination and no source": """
        [protocol]
        name = "gauge"
        [header]
        field = [{ name = "to", kind = "destination", bits = 8 }, { name = "number", kind = "sequence", bits = 8 }]
        [[frame]]
        name = "gate"
        field = [{ name = "open", kind = "flag", role = "order" }, { name = "blob", kind = "octets", octets = 200 }]
        [integrity]
        crc = "CRC-16/KERMIT"
    """,
}
SPECS |= {
    "lists, groups and a sum": HISTORY + SUM,
    "lists, groups and no check": HISTORY,
    "a list and its length": UART,
}


@lru_cache
def orchard() -> Protocol:
    return ullage.load(ORCHARD)


@lru_cache
def orchard_log() -> list[Happening]:
    return list(simulate(orchard(), 5000, seed=7))


def truths(kind: str) -> list[dict[str, Any]]:
    return [happening.truth for happening in orchard_log() if happening.truth.get("kind") == kind]


def digest(happenings: list[Happening]) -> str:
    text = json.dumps([[happening.text, happening.truth] for happening in happenings])
    return hashlib.sha256(text.encode()).hexdigest()


def codec_says(protocol: Protocol, octets: bytes) -> tuple[str, str | None]:
    try:
        protocol.decode(octets)
    except Refused as refused:
        if len(octets) < protocol.shortest - 2:
            return "none", None
        return "refused", str(refused.reason)
    return "reading", None


def test_a_seed_gives_the_same_log_each_time_and_another_seed_another() -> None:
    first, again, other = (list(simulate(orchard(), 200, seed)) for seed in (3, 3, 4))
    assert digest(first) == digest(again)
    assert digest(first) != digest(other)


def test_the_log_does_not_depend_on_the_hash_seed_of_the_interpreter() -> None:
    program = (
        "import sys, ullage; from ullage.simulation.simulate import simulate\n"
        "print([(h.text, h.truth) for h in simulate(ullage.load(sys.argv[1]), 300)])"
    )
    prints = {
        subprocess.run(
            [sys.executable, "-c", program, str(ORCHARD)],
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": str(ORCHARD.parents[1] / "protocol")},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(prints) == 1


def test_lines_are_numbered_as_they_stand_in_the_log() -> None:
    numbers = [happening.truth["line"] for happening in orchard_log() if happening.text is not None]
    assert numbers == list(range(1, len(numbers) + 1))
    assert all("line" not in happening.truth for happening in orchard_log() if happening.text is None)


def test_as_many_frames_are_sent_as_were_asked_for() -> None:
    sent = [h for h in orchard_log() if h.truth.get("lost") or h.truth.get("kind") in ("frame", "damaged", "cut")]
    assert len(sent) == 5000


def test_a_log_has_all_that_goes_wrong() -> None:
    """What a reader has to be tried with."""
    kinds = Counter(happening.truth.get("kind") for happening in orchard_log())
    assert set(kinds) == {"frame", "repeat", "damaged", "foreign", "cut", "noise", "blank", None}
    assert {truth["what"] for truth in truths("foreign")} == {"random", "other_crc", "other_revision", "other_message"}
    silent = [happening.truth for happening in orchard_log() if happening.text is None]
    assert any("lost" in truth for truth in silent)
    assert any("restart" in truth for truth in silent)


@pytest.mark.parametrize("name", SPECS)
def test_what_a_line_must_give_is_what_the_codec_says_of_its_octets(name: str) -> None:
    protocol = ullage.loads(SPECS[name])
    checked = Counter[str]()
    for happening in simulate(protocol, 1500, seed=2):
        truth = happening.truth
        if happening.text is None or "octets" not in truth:
            assert truth.get("must") in (None, "none")
            continue
        assert (truth["must"], truth.get("reason")) == codec_says(protocol, bytes.fromhex(truth["octets"]))
        checked[truth["kind"]] += 1
    assert checked["frame"] > 1000
    assert checked["damaged"] > 20


@pytest.mark.parametrize("name", SPECS)
def test_every_frame_of_every_protocol_is_sent_and_its_octets_stand_in_its_line(name: str) -> None:
    protocol = ullage.loads(SPECS[name])
    sent = set()
    for happening in simulate(protocol, 300, seed=5):
        truth = happening.truth
        if truth.get("kind") == "frame":
            sent.add(truth["frame"])
            assert truth["must"] == "reading"
            digits = re.sub(r"0x|[^0-9a-f]", "", (happening.text or "").lower())
            assert truth["octets"] in digits
            assert "read" not in truth
    assert sent == set(protocol.frames)


def test_damage_that_no_check_can_see_is_promised_as_a_reading() -> None:
    protocol = ullage.loads(SPECS["no header, no CRC"])
    damaged = [h.truth for h in simulate(protocol, 2000) if h.truth.get("kind") == "damaged"]
    unseen = [truth for truth in damaged if truth["must"] == "reading"]
    assert 0 < len(unseen) < len(damaged)  # 5 of its 256 codes stand for nothing
    assert all(truth["read"]["values"] != truth["values"] for truth in unseen)


def test_the_flipped_bits_are_those_in_which_sent_and_arrived_differ() -> None:
    for truth in truths("damaged"):
        sent, arrived = bytes.fromhex(truth["sent"]), bytes.fromhex(truth["octets"])
        differ = [bit for bit in range(8 * len(sent)) if (sent[bit // 8] ^ arrived[bit // 8]) >> (7 - bit % 8) & 1]
        assert differ == truth["flipped"]
        assert len(sent) == len(arrived)
    assert {len(truth["flipped"]) for truth in truths("damaged")} > {1, 2, 3, 5}


def test_a_cut_line_has_the_first_octets_of_what_was_sent() -> None:
    for truth in truths("cut"):
        assert truth["sent"].startswith(truth["octets"])
        assert 0 < len(truth["octets"]) < len(truth["sent"])


def test_numbers_run_on_for_each_station_but_for_losses_that_are_told_and_restarts() -> None:
    """RFC 1982 arithmetic on 16 bits: one more for each new frame, 65535 is followed by 0."""
    following: dict[int, int] = {}
    wrapped = 0
    for happening in orchard_log():
        truth = happening.truth
        if "restart" in truth:
            following[truth["station"]] = 0
        elif truth.get("kind") in ("frame", "damaged", "cut") or "lost" in truth:
            station, number = truth["station"], truth["values"]["sequence"]
            assert number == following.get(station, number)
            following[station] = (number + 1) % 65_536
            wrapped += number == 65_535
    assert set(following) == {1, 17, 18, 19, 20, 21}
    assert wrapped


def test_a_repeat_has_the_octets_of_a_frame_heard_before() -> None:
    seen = set()
    for happening in orchard_log():
        truth = happening.truth
        if truth.get("kind") == "frame":
            seen.add(truth["octets"])
        elif truth.get("kind") == "repeat":
            assert truth["octets"] in seen


def test_reports_go_to_the_pump_house_and_orders_from_it_to_the_stations() -> None:
    for truth in truths("frame"):
        source, destination = truth["values"]["source"], truth["values"]["destination"]
        assert source == truth["station"]
        if truth["frame"] == "valve_order":
            assert source == 1
            assert destination in range(17, 22)
        else:
            assert source in range(17, 22)
            assert destination == 1


def test_levels_drift_slowly_and_all_choices_and_special_codes_have_their_turn() -> None:
    series = defaultdict(list)
    seen: dict[str, set[Any]] = defaultdict(set)
    for truth in truths("frame"):
        values = truth["values"]
        if truth["frame"] == "level_report" and isinstance(values["distance"], int):
            series[values["source"], values["sensor"]].append(values["distance"])
        for name, value in values.items():
            if isinstance(value, dict | str | bool):
                seen[name].add(json.dumps(value))
    for distances in series.values():
        steps = [abs(after - before) for before, after in pairwise(distances)]
        assert sum(steps) / len(steps) < 100  # mm; the range is 5750 mm
    assert seen["distance"] == {'{"special": "no_echo"}', '{"special": "too_close"}'}
    assert seen["valve"] == {'"shut"', '"half"', '"open"', '"stuck"'}
    assert seen["result"] == {'"done"', '"refused"', '"expired"', '"stuck"'}
    assert seen["lid_open"] == {"true", "false"}


def test_lists_have_every_count_and_groups_come_and_go() -> None:
    protocol = ullage.loads(SPECS["lists, groups and a sum"])
    sent = [h.truth for h in simulate(protocol, 900) if h.truth.get("kind") == "frame"]
    histories = [truth["values"] for truth in sent if truth["frame"] == "history"]
    assert Counter(len(values["readings"]) for values in histories).keys() == {0, 1, 2, 3, 4}
    assert all(values["number"] == len(values["readings"]) for values in histories)
    extras = [values["extra"] for values in histories]
    assert 0.3 < sum(extra is None for extra in extras) / len(extras) < 0.7
    assert {len(extra["runs"]) for extra in extras if extra} == {1, 2, 3}
    lengths = {len(truth["octets"]) // 2 for truth in sent if truth["frame"] == "history"}
    assert min(lengths) == 7
    assert max(lengths) == 21
    assert len(lengths) > 8


def test_a_sum_is_damaged_by_neighbours_with_a_crc_of_its_length() -> None:
    protocol = ullage.loads(SPECS["lists, groups and a sum"])
    foreign = {h.truth["what"] for h in simulate(protocol, 3000) if h.truth.get("kind") == "foreign"}
    assert foreign == {"random", "other_crc", "other_message"}


def test_the_log_begins_when_asked_and_its_times_never_go_back() -> None:
    happenings = simulate(orchard(), 3000, start=datetime(2031, 12, 30, 23, 59, tzinfo=UTC))
    stamps = [
        found[0] for h in happenings if (found := re.match(r"\d{4}[-/]\d\d[-/]\d\d.\d\d:\d\d:\d\d", h.text or ""))
    ]
    times = [stamp.replace("/", "-").replace("T", " ") for stamp in stamps]
    assert times == sorted(times)
    assert times[0].startswith("203")


def test_time_since_the_start_grows_until_the_station_restarts() -> None:
    before: dict[int, int] = {}
    for happening in orchard_log():
        truth = happening.truth
        if "restart" in truth:
            before[truth["station"]] = 0
        elif truth.get("frame") == "status_report" and truth.get("kind") != "repeat":
            station, uptime = truth["station"], truth["values"]["uptime"]
            assert uptime >= before.get(station, 0)
            before[station] = uptime


def test_asking_for_too_many_frames_or_a_far_time_is_an_error() -> None:
    with pytest.raises(ValueError, match=r"0\.\.1000000 can be invented"):
        simulate(orchard(), MOST_FRAMES + 1)
    with pytest.raises(ValueError, match=r"1970\.\.2200"):
        simulate(orchard(), 1, start=datetime(9000, 1, 1, tzinfo=UTC))


def test_no_frame_is_no_line() -> None:
    assert list(simulate(orchard(), 0)) == []
