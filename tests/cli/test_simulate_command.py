"""`ullage simulate` writes a log and its truth, whole or not at all, and says what comes next."""

import json
import shutil
from pathlib import Path

import pytest

from support.command import runner

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(SPEC, tmp_path / "orchard.toml")
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("simulate")


def test_it_writes_both_files_and_names_the_next_command(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    code, out, err = run(capsys, "orchard.toml", "--frames", "300", "-o", "a.log", "--truth", "a.jsonl")
    lines = (folder / "a.log").read_text(encoding="utf-8").split("\n")
    truth = [json.loads(line) for line in (folder / "a.jsonl").read_text(encoding="utf-8").splitlines()]
    must = [one["must"] for one in truth if "line" in one]
    assert lines[-1] == ""
    assert len(lines) - 1 == len(must)
    counts = [must.count(word) for word in ("reading", "refused", "none")]
    assert (code, err) == (0, "")
    assert out == (
        f"a.log: {len(must)} lines = {counts[0]} readings + {counts[1]} to refuse + {counts[2]} without a frame; "
        "the truth is in a.jsonl\nnext  ullage decode orchard.toml a.log\n"
    )


def test_the_same_seed_writes_the_same_file(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    for name, seed in (("a.log", "5"), ("b.log", "5"), ("c.log", "6")):
        assert run(capsys, "orchard.toml", "--frames", "100", "--seed", seed, "-o", name)[0] == 0
    first, again, other = ((folder / name).read_bytes() for name in ("a.log", "b.log", "c.log"))
    assert first == again != other


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["-o", "a.log", "--truth", "a.log"], "a.log: the truth would be written over the log"),
        (["-o", "orchard.toml"], "orchard.toml: the log would be written over the spec"),
        (["-o", "a.log", "--truth", "nowhere/a.jsonl"], "nowhere: there is no such folder"),
        (["-o", "nowhere/a.log"], "nowhere: there is no such folder"),
        (["-o", "."], ".: this is a folder; give a file"),
        (["-o", "-"], "the log needs a file; - is none"),
        (["-o", "a.log", "--start", "noon"], "--start noon: this is no date and time; for example 2025-03-01T06:00:00"),
        (["-o", "a.log", "--start", "1900-01-01"], "--start 1900-01-01: the year 1900; a log may begin in 1970..2200"),
    ],
)
def test_a_wrong_request_is_one_sentence_and_nothing_is_written(
    capsys: pytest.CaptureFixture[str], folder: Path, arguments: list[str], says: str
) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert run(capsys, "orchard.toml", *arguments) == (2, "", says + "\n")
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_faulty_spec_is_a_wrong_request(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "bad.toml").write_text('[protocol]\nname = "x"\n', encoding="utf-8")
    code, out, err = run(capsys, "bad.toml", "-o", "a.log")
    assert (code, out) == (2, "")
    assert "bad.toml" in err
    assert not (folder / "a.log").exists()


def test_a_start_in_another_time_zone_is_brought_to_utc(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    for name, start in (("a.log", "2030-01-01T02:00:00+02:00"), ("b.log", "2030-01-01T00:00:00")):
        assert run(capsys, "orchard.toml", "--frames", "50", "--start", start, "-o", name)[0] == 0
    assert (folder / "a.log").read_bytes() == (folder / "b.log").read_bytes()


def test_help_says_what_the_truth_holds_and_ends_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--help")
    assert code == 0
    for word in ("kind", "must", "flipped", "lost", "restart"):
        assert word in out
    assert "ullage simulate spec/orchard.toml --frames 1000 -o receiver.log --truth truth.jsonl" in out
