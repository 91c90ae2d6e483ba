"""`ullage decode` opens sealed captures, says what no tag vouched for, and remembers numbers from run to run."""

import csv
import io
import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest

import ullage
from support.command import runner
from support.sealed_wells import Numbers, key_text, level, node, wells, wells_text
from ullage.seal import Key

WELL = wells()
Capture = pytest.CaptureFixture[str]

run = runner("decode", "wells.toml")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "wells.toml").write_text(wells_text(), encoding="utf-8")
    for name, stations in (("keys.toml", (17, 18)), ("only_18.toml", (18,))):
        (tmp_path / name).write_text(key_text(*stations), encoding="utf-8")
        (tmp_path / name).chmod(0o600)
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("ULLAGE_KEY")]:
        monkeypatch.delenv(name)
    sender = node(WELL, first=300)
    hello = node(WELL, 18).encode("hello", {"destination": 1, "starts": 3})
    log(level(sender, 1000), level(sender, 1001), hello)
    return tmp_path


def log(*frames: bytes, name: str = "a.log") -> None:
    Path(name).write_text("".join(octets.hex(" ") + "\n" for octets in frames), encoding="utf-8")


def rows(out: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in out.splitlines()]


def test_sealed_frames_are_opened_also_from_the_middle_of_their_numbers(capsys: Capture) -> None:
    code, out, err = run(capsys, "a.log", "--keys", "keys.toml", "--json")
    assert (code, err) == (0, "3 lines = 3 readings + 0 refused + 0 without a frame\n" + UNSEALED)
    first, second, third = rows(out)
    assert (first["values"]["depth"], first["sealed"], first["counter"]) == (1000, True, 300)
    assert (second["values"]["depth"], second["sealed"], second["counter"]) == (1001, True, 301)
    assert (third["frame"], third["sealed"], "counter" in third) == ("hello", False, False)


NO_WINDOWS = '{"form": "ullage replay windows", "keys": {}, "windows": [{}]}'
NO_MARKS = '{"form": "ullage replay windows", "keys": {"17": 3}, "windows": []}'
UNSEALED = "1 frame was not sealed: anyone with this radio can send such\n"


def test_the_table_says_of_each_reading_whether_it_was_sealed(capsys: Capture) -> None:
    code, out, err = run(capsys, "a.log", "--keys", "keys.toml")
    assert (code, err) == (0, "")
    assert out == (
        "  line  time      station  seq  frame    sealed  reading\n"
        "     1  -              17   44  level    yes     depth 1000 mm\n"
        "     2  -              17   45  level    yes     depth 1001 mm\n"
        "     3  -              18    0  hello    no      starts 3\n"
        "\n3 lines = 3 readings + 0 refused + 0 without a frame\n" + UNSEALED
    )


def test_csv_has_columns_for_the_seal_before_the_fields(capsys: Capture) -> None:
    _, out, _ = run(capsys, "a.log", "--keys", "keys.toml", "--csv", "--frame", "level")
    heading, first, _ = csv.reader(io.StringIO(out))
    assert heading[:6] == ["file", "line", "time", "sealed", "counter", "destination"]
    assert first[:6] == ["a.log", "1", "", "true", "300", "1"]
    assert run(capsys, "a.log", "--keys", "keys.toml", "--csv", "-o", "tables")[0] == 0
    assert Path("tables/hello.csv").read_text(encoding="utf-8").splitlines()[1].startswith("a.log,3,,false,,1,18,")


def test_without_keys_the_summary_says_how_to_give_them(capsys: Capture) -> None:
    code, out, _ = run(capsys, "a.log", "--quiet")
    assert code == 0
    assert out == (
        "3 lines = 1 reading + 2 refused + 0 without a frame\n"
        "  2  no_key  first in line 1  sealed, and no keys are given; --keys FILE opens them (ullage key\n"
        "                              --help)\n" + UNSEALED
    )


def test_sealed_frames_that_nobody_opens_are_not_taken_for_anothers(capsys: Capture) -> None:
    sender = node(WELL)
    log(*(level(sender) for _ in range(5)))
    for words in ((), ("--keys", "only_18.toml")):
        _, out, _ = run(capsys, "a.log", "--quiet", *words)
        assert "None of" not in out
    assert "there is no key of station 17" in out


def test_frames_under_another_key_are_told_with_what_else_it_may_be(capsys: Capture) -> None:
    log(*(level(node(WELL, first=5000 + place)) for place in range(4)))
    _, out, _ = run(capsys, "a.log", "--keys", "keys.toml", "--quiet")
    assert "  4  wrong_tag  first in line 1  forged, damaged, or sealed with another key; of a node that" in out
    assert "--from-counter" in out
    code, out, _ = run(capsys, "a.log", "--keys", "keys.toml", "--quiet", "--from-counter", "4900")
    assert (code, out) == (0, "4 lines = 4 readings + 0 refused + 0 without a frame\n")


def test_a_repeat_within_one_run_is_a_replay(capsys: Capture) -> None:
    octets = level(node(WELL, first=7))
    log(octets, octets)
    _, out, _ = run(capsys, "a.log", "--keys", "keys.toml", "--json")
    first, second = rows(out)
    assert (first["sealed"], second["refused"], second["reason"], second["field"]) == (True, "replay", 10, "sequence")


def test_a_station_that_lost_its_counter_is_told_in_the_summary(capsys: Capture) -> None:
    again = node(WELL)
    log(level(node(WELL, first=200)), *(level(again) for _ in range(4)), level(node(WELL, 18)))
    _, out, _ = run(capsys, "a.log", "--keys", "keys.toml", "--quiet")
    assert out.endswith(
        "authentic frames of station 17 come with old numbers: they were read before, somebody\n"
        "  plays back a recording, or the station has lost its counter (then it needs a fresh key, or\n"
        "  numbers beyond 200)\n"
    ), out


# ---- --state ---------------------------------------------------------------------------------------------------


def test_a_second_run_with_the_state_of_the_first_refuses_what_that_accepted(capsys: Capture) -> None:
    words = ("a.log", "--keys", "keys.toml", "--quiet", "--state", "seen.json")
    code, out, err = run(capsys, *words)
    assert (code, err) == (0, "seen.json: not there yet, so no number counts as accepted before\n")
    assert out.startswith("3 lines = 3 readings")
    kept = Path("seen.json").read_bytes()
    code, out, err = run(capsys, *words)
    assert (code, err) == (0, "")
    assert out.startswith(
        "3 lines = 1 reading + 2 refused + 0 without a frame\n  2  replay  first in line 1  authentic"
    )
    assert Path("seen.json").read_bytes() == kept
    assert run(capsys, "a.log", "--keys", "keys.toml", "--quiet")[1].startswith("3 lines = 3 readings")


def test_a_replaced_key_begins_its_numbers_anew_and_no_other_does(capsys: Capture) -> None:
    words = ("a.log", "--keys", "keys.toml", "--quiet", "--state", "seen.json")
    order = node(WELL, 18, first=9)
    log(level(node(WELL, first=900)), level(order))
    run(capsys, *words)
    fresh = Key(bytes.fromhex("5b0fe2718c36d94ae7a1603fc8942d1b"), 17)
    text = key_text(18) + f'17 = "{fresh.octets.hex()}"\n'
    Path("keys.toml").write_text(text, encoding="utf-8")
    log(level(ullage.Sender(WELL, 17, {17: fresh}, Numbers())), level(node(WELL, 18, first=9)), name="b.log")
    code, out, err = run(capsys, "b.log", *words[1:])
    assert (code, err) == (0, "seen.json: numbers begin anew where a key was replaced: 17\n")
    assert out.startswith("2 lines = 1 reading + 1 refused + 0 without a frame\n  1  replay")
    assert run(capsys, "b.log", *words[1:])[1].startswith("2 lines = 0 readings + 2 refused")


def test_windows_of_keys_that_are_not_given_this_time_are_kept(capsys: Capture) -> None:
    words = ("a.log", "--quiet", "--state", "seen.json", "--keys")
    run(capsys, *words, "keys.toml")
    run(capsys, *words, "only_18.toml")
    _, out, _ = run(capsys, *words, "keys.toml")
    assert out.startswith("3 lines = 1 reading + 2 refused")


def test_the_state_is_kept_before_a_row_is_let_out(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file is looked at whenever rows are about to go out."""
    from ullage_cli.decoding.output import JsonLines

    kept: list[list[Any]] = []
    real = JsonLines.flush

    def looking(sink: JsonLines) -> None:
        before = len(capsys.readouterr().out)
        windows = json.loads(Path("seen.json").read_text(encoding="utf-8"))["windows"]
        real(sink)
        if len(capsys.readouterr().out) > before:
            kept.append([one["window"]["top"] for one in windows])

    monkeypatch.setattr(JsonLines, "flush", looking)
    run(capsys, "a.log", "--keys", "keys.toml", "--json", "--state", "seen.json")
    assert kept == [["301"]]


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", NO_WINDOWS, NO_MARKS, "9" * 5000])
def test_damaged_state_is_refused_and_left_as_it_is(capsys: Capture, text: str) -> None:
    Path("seen.json").write_text(text, encoding="utf-8")
    code, out, err = run(capsys, "a.log", "--keys", "keys.toml", "--state", "seen.json")
    assert (code, out) == (2, "")
    assert err.startswith("seen.json: th")
    assert len(err.splitlines()) == 2
    assert Path("seen.json").read_text(encoding="utf-8") == text


def test_state_that_cannot_be_written_is_a_plain_failure_and_keeps_the_old_one(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ("a.log", "--keys", "keys.toml", "--json", "--state", "seen.json")
    run(capsys, *words)
    kept = Path("seen.json").read_bytes()
    log(level(node(WELL, first=400)))

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.replace", full)
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert err.splitlines()[-1] == "No space left on device"
    assert Path("seen.json").read_bytes() == kept
    assert sorted(path.name for path in Path().iterdir() if path.name.startswith(".")) == []


def test_octets_that_are_only_tried_count_as_never_heard(capsys: Capture) -> None:
    """Where nothing is accepted, octets are tried without their first ones: that must move no window."""
    frames = [level(node(WELL, first=number)) for number in range(3)]
    log(*(b"\xff\xff\xff\xff" + octets for octets in frames), name="front.log")
    _, out, _ = run(capsys, "front.log", "--keys", "keys.toml", "--quiet", "--state", "seen.json")
    assert json.loads(Path("seen.json").read_text(encoding="utf-8"))["windows"] == []
    log(*frames)
    _, out, _ = run(capsys, "a.log", "--keys", "keys.toml", "--quiet", "--state", "seen.json")
    assert out == "3 lines = 3 readings + 0 refused + 0 without a frame\n"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("a.log --state s.json", "--state s.json: it goes with keys\n  help: --keys FILE; ullage key --help\n"),
        ("a.log --from-counter 5", "--from-counter 5: it goes with keys\n"),
        ("a.log --keys keys.toml --from-counter 4294967296", "--from-counter 4294967296: a counter of 32 bits never"),
        ("a.log --keys keys.toml --state a.log", "--state a.log: this file is read already, and would be written over"),
        ("a.log --keys keys.toml --state keys.toml", "--state keys.toml: this file is read already"),
        ("a.log --keys keys.toml --state no/s.json", "no: there is no such folder\n"),
        ("a.log --keys keys.toml --state .", ".: this is a folder; give a"),
        ("a.log --keys no.toml", "no.toml: there is no such file\n"),
    ],
)
def test_a_wrong_request_is_one_sentence(capsys: Capture, words: str, says: str) -> None:
    code, out, err = run(capsys, *words.split())
    assert (code, out) == (2, "")
    assert err.startswith(says)


def test_keys_for_a_protocol_that_seals_nothing_are_a_wrong_request(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """But variables may be there for other specs."""
    Path("plain.toml").write_text(
        '[protocol]\nname = "plain"\n[[frame]]\nname = "f"\nfield = [{ name = "n", kind = "count", bits = 32 }]\n',
        encoding="utf-8",
    )
    plain = runner("decode", "plain.toml", "a.log", "--quiet")
    for option, value in (("--keys", "keys.toml"), ("--state", "s.json"), ("--from-counter", "3")):
        code, _, err = plain(capsys, option, value)
        assert (code, err) == (2, f"{option} {value}: plain has no sealed frames\n  help: leave it out\n")
    monkeypatch.setenv("ULLAGE_KEYS", "nowhere.toml")
    assert plain(capsys)[0] == 0


def test_without_cryptography_one_line_names_the_command_that_installs_it(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "cryptography.hazmat.primitives.ciphers.aead", None)
    code, out, err = run(capsys, "a.log", "--keys", "keys.toml", "--json")
    assert (code, out) == (2, "")
    assert err == "sealed frames need the package cryptography; pip install 'ullage[seal]' gets it\n"


# ---- a whole invented log --------------------------------------------------------------------------------------


def test_every_line_of_an_invented_log_is_as_its_truth_says(capsys: Capture) -> None:
    simulate = runner("simulate", "wells.toml", "--frames", "800", "-o", "s.log", "--truth", "s.jsonl")
    code, said, err = simulate(capsys, "--keys", "s.toml")
    assert (code, err) == (0, "")
    assert said.endswith("next  ullage decode wells.toml s.log --keys s.toml\n")
    _, out, _ = run(capsys, "s.log", "--keys", "s.toml", "--json", "--all")
    truth = [row for row in rows(Path("s.jsonl").read_text(encoding="utf-8")) if "line" in row]
    read = rows(out)
    assert len(read) == len(truth) > 800
    for must, row in zip(truth, read, strict=True):
        if must["must"] == "reading":
            assert (row["values"], row["sealed"], row.get("counter")) == (
                must.get("read", must)["values"],
                must["sealed"],
                must.get("counter"),
            )
        else:
            assert (row.get("refused"), "none" in row) == (must.get("reason"), must["must"] == "none")
    assert {"replay", "integrity"} <= {row["refused"] for row in read if "refused" in row}


def test_simulate_needs_a_place_for_the_keys_and_writes_the_same_ones_again(capsys: Capture) -> None:
    simulate = runner("simulate", "wells.toml", "--frames", "20", "-o", "s.log")
    code, _, err = simulate(capsys)
    assert (code, err) == (
        2,
        "wells has sealed frames, which nobody opens without keys\n"
        "  help: --keys FILE, where the invented keys are written\n",
    )
    assert simulate(capsys, "--keys", "s.toml")[0] == 0
    first = Path("s.log").read_bytes()
    assert simulate(capsys, "--keys", "s.toml")[0] == 0
    assert Path("s.log").read_bytes() == first
    code, _, err = simulate(capsys, "--keys", "s.toml", "--seed", "2")
    assert code == 2
    assert err.startswith("s.toml: this file is there already")
    assert Path("s.log").read_bytes() == first
