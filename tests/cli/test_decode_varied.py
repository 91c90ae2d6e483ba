"""`ullage decode` shows lists and groups to people, and gives programs all of them in fixed shapes."""

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

import ullage
from support.command import runner
from support.varied import CRC, HISTORY, SUM, UART, VALUES
from ullage.words.as_json import json_values
from ullage_cli.main import main

TERRACE = ullage.loads(HISTORY + CRC)


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "terrace.toml").write_text(HISTORY + CRC, encoding="utf-8")
    (tmp_path / "sums.toml").write_text(HISTORY + SUM, encoding="utf-8")
    (tmp_path / "head.toml").write_text(UART, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("decode")


def history(**changed: Any) -> str:
    return TERRACE.encode("history", VALUES | changed).hex(" ")


def words(*numbers: int) -> str:
    return TERRACE.encode("words", {"source": 5, "sequence": 1, "words": [{"w": n} for n in numbers]}).hex(" ")


def log(folder: Path, *lines: str) -> str:
    (folder / "a.log").write_text("".join(line + "\n" for line in lines), encoding="utf-8")
    return "a.log"


def test_people_see_items_and_groups_behind_the_other_fields(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    bad = bytearray(TERRACE.encode("history", VALUES)[:-2])
    bad[4] = 0x2E  # five readings
    assert TERRACE.integrity is not None
    check = TERRACE.integrity.check
    five = bad.hex(" ") + " " + check.to_octets(check.compute(bytes(bad))).hex(" ")
    log(
        folder,
        history(),
        history(readings=(), extra=None),
        words(3, 10, 65535),
        words(),
        five,
    )
    _, out, _ = run(capsys, "terrace.toml", "a.log")
    assert out.splitlines()[:10] == [
        "  line  time      station    seq  frame    reading",
        "     1  -              17      9  history  lid open  last 6",
        "                                           readings [level 1233 mm  ok yes] [level no echo  ok no]",
        "                                           extra [t 21.5 Cel  cal 3.5 V  runs 5]",
        "     2  -              17      9  history  lid open  last 6  readings none",
        "     3  -               5      1  words    words 3, 10, 65535",
        "     4  -               5      1  words    words none",
        "     5  -               -      -  refused  wrong_count: number: 5 is no count of readings; 0..4",
        "                                           items",
        f"                                           {five}",
    ]


def test_programs_get_lists_of_objects_and_null(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    _, out, _ = run(capsys, "terrace.toml", log(folder, history(), history(readings=(), extra=None)), "--json")
    first, second = (json.loads(line)["values"] for line in out.splitlines())
    assert first == {
        "source": 17,
        "sequence": 9,
        "number": 2,
        "has_extra": True,
        "lid": "open",
        "readings": [{"level": 1233, "ok": True}, {"level": {"special": "no_echo"}, "ok": False}],
        "extra": {"t": 21.5, "cal": 3.5, "n": 1, "runs": [{"secs": 5}]},
        "last": 6,
    }
    assert (second["readings"], second["extra"], second["number"], second["has_extra"]) == ([], None, 0, False)


def test_a_csv_has_columns_for_every_item_that_may_be_there(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    log(folder, history(), history(readings=(), extra=None))
    _, out, _ = run(capsys, "terrace.toml", "a.log", "--csv", "--frame", "history")
    heading, first, second = csv.reader(io.StringIO(out))
    items = [f"readings_{n}_{name}" for n in range(4) for name in ("level_mm", "level_special", "ok")]
    extra = ["extra_t_Cel", "extra_cal_V", "extra_n", *(f"extra_runs_{n}_secs" for n in range(3))]
    assert heading[3:-2] == ["source", "sequence", "number", "has_extra", "lid", *items, *extra, "last"]
    row = dict(zip(heading, first, strict=True))
    assert [row[name] for name in items] == ["1233", "", "true", "", "no_echo", "false", *[""] * 6]
    assert [row[name] for name in extra] == ["21.5", "3.5", "1", "5", "", ""]
    row = dict(zip(heading, second, strict=True))
    assert {row[name] for name in items + extra} == {""}
    assert (row["number"], row["has_extra"], row["last"]) == ("0", "false", "6")


def test_a_csv_into_a_folder_has_every_reading(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    log(folder, history(), words(1), history(), words(2, 3))
    assert run(capsys, "terrace.toml", "a.log", "--csv", "-o", "tables")[0] == 0
    table = (folder / "tables" / "words.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(table)))
    assert [[row[f"words_{n}_w"] for n in range(3)] for row in rows] == [["1", "", ""], ["2", "3", ""]]


@pytest.mark.parametrize("spec", ["terrace.toml", "sums.toml", "head.toml"])
def test_each_line_of_an_invented_log_is_what_its_truth_says(
    capsys: pytest.CaptureFixture[str], folder: Path, spec: str
) -> None:
    assert main(["simulate", spec, "--frames", "800", "-o", "a.log", "--truth", "a.jsonl"]) == 0
    capsys.readouterr()
    _, out, _ = run(capsys, spec, "a.log", "--json", "--all")
    truth = [json.loads(line) for line in (folder / "a.jsonl").read_text(encoding="utf-8").splitlines()]
    lines = [one for one in truth if "line" in one]
    found = [json.loads(line) for line in out.splitlines()]
    assert [one["line"] for one in found] == [one["line"] for one in lines]
    for one, true in zip(found, lines, strict=True):
        must = "none" if "none" in one else "refused" if "refused" in one else "reading"
        assert (must, one.get("refused")) == (true["must"], true.get("reason")), true
        if must == "reading":
            read = true.get("read", {key: true.get(key) for key in ("frame", "values")})
            assert {"frame": one["frame"], "values": one["values"]} == read
    _, out, _ = run(capsys, spec, "a.log")
    assert max(map(len, out.splitlines())) <= 100


def test_lengths_that_vary_are_said_as_spans_when_nothing_fits(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    log(folder, *(f"77 88 {n:02x} 44 55 66 77 88 99 aa bb cc dd ee ff 11 22 33 44 55 66 77 99" for n in range(5)))
    _, out, _ = run(capsys, "terrace.toml", "a.log", "--quiet")
    assert "5 of them have 23 octets; the frames of terrace have 7..13, 8..22 or 12." in out


def test_a_value_for_json_is_nested_as_it_is_in_python() -> None:
    values = TERRACE.decode(TERRACE.encode("history", VALUES)).values
    assert json.loads(json.dumps(json_values(values)))["readings"][1] == {
        "level": {"special": "no_echo"},
        "ok": False,
    }


def test_explain_names_the_item_and_the_sum(capsys: pytest.CaptureFixture[str]) -> None:
    sums = ullage.loads(HISTORY + SUM)
    body = bytearray(sums.encode("history", VALUES)[:-1])
    assert main(["explain", "sums.toml", (body + b"\x00").hex()]) == 0
    assert "refused: integrity. The sum sent is 00; the 15 octets before it give 69." in capsys.readouterr().out
    body[6:8] = b"\x39\xff"
    assert sums.integrity is not None
    sealed = bytes(body) + bytes([sums.integrity.check.compute(bytes(body))])
    main(["explain", "sums.toml", sealed.hex()])
    out = capsys.readouterr().out
    assert "refused: not_a_value. readings[1].level: code 2559 stands for nothing; 0..2500 mm by 1 mm" in out
    where = "field readings[1].level, from octet 6, bit 4 of it (bit 52 of the frame, counted from 0)"
    assert where in " ".join(out.split())
