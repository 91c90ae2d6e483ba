"""`ullage decode` asked wrongly says so in one sentence with code 2; findings are code 1, work done is 0."""

import shutil
import sys
from pathlib import Path

import pytest

from support.command import runner
from ullage_cli.main import main

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"

SOUND = "21 01 11 00 09 03 d8 79 33 d7"
DAMAGED = "21 01 11 00 09 01 d8 79 33 d7"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(SPEC, tmp_path / "orchard.toml")
    (tmp_path / "a.log").write_text(f"{SOUND}\n" * 3 + f"{DAMAGED}\nready\n", encoding="utf-8")
    (tmp_path / "good.log").write_text(f"{SOUND}\n", encoding="utf-8")
    (tmp_path / "plain.toml").write_text(
        '[protocol]\nname = "plain"\n[[frame]]\nname = "f"\nfield = [{ name = "n", kind = "count", bits = 8 }]\n',
        encoding="utf-8",
    )
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("decode")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ("nowhere.toml a.log", "nowhere.toml: there is no such file"),
        (". a.log", ".: this is a folder; give a spec file"),
        ("orchard.toml x.log", "x.log: there is no such file"),
        ("orchard.toml a.log x.log", "x.log: there is no such file"),
        ("orchard.toml .", ".: this is a folder; give its files"),
        ("orchard.toml - -", "- is standard input; it can be read only once"),
        ("orchard.toml a.log --at 256", "--at 256: this is no station; 0..255 are"),
        ("orchard.toml a.log --at -1", "--at -1: this is no station; 0..255 are"),
        ("orchard.toml a.log --from 300", "--from 300: this is no station; 0..255 are"),
        ("plain.toml a.log --at 1", "--at 1: the frames of plain have no destination"),
        ("plain.toml a.log --from 1", "--from 1: the frames of plain have no source"),
        (
            "orchard.toml a.log --frame level_reprot",
            "--frame level_reprot: orchard has no such frame; level_report, perhaps",
        ),
        (
            "orchard.toml a.log --frame x",
            "--frame x: orchard has no such frame; it has level_report, status_report, valve_order, acknowledgement",
        ),
        ("orchard.toml a.log --json --csv", "--json and --csv: give one of them"),
        ("orchard.toml a.log --json --quiet", "--quiet leaves --json and --csv nothing to write; leave it out"),
        ("orchard.toml a.log --all", "--all goes with --json"),
        ("orchard.toml a.log -o t", "-o goes with --csv: a folder with a file for each frame"),
        (
            "orchard.toml a.log --csv",
            "--csv needs one --frame NAME, as a table has one sort of rows; or -o DIR with a file for each",
        ),
        (
            "orchard.toml a.log --csv --frame level_report --frame valve_order",
            "--csv needs one --frame NAME, as a table has one sort of rows; or -o DIR with a file for each",
        ),
        ("orchard.toml a.log --csv -o good.log", "good.log: this is a file; give a folder"),
        ("orchard.toml a.log --csv -o no/where", "no: there is no such folder"),
        (
            "orchard.toml a.log --allow-refused much",
            "--allow-refused much: this is no share of 0..100 percent, such as 2%",
        ),
        (
            "orchard.toml a.log --allow-refused 101%",
            "--allow-refused 101%: this is no share of 0..100 percent, such as 2%",
        ),
        ("orchard.toml a.log --allow-refused -1", "--allow-refused -1: this is no share of 0..100 percent, such as 2%"),
        (
            "orchard.toml a.log --strict --allow-refused 2%",
            "--strict allows none, --allow-refused some; give one of them",
        ),
    ],
)
def test_a_wrong_request_is_one_sentence(capsys: pytest.CaptureFixture[str], arguments: str, says: str) -> None:
    assert run(capsys, *arguments.split()) == (2, "", says + "\n")


def test_an_empty_text_to_read_after_is_a_wrong_request(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "orchard.toml", "a.log", "--after", "") == (2, "", "--after: the text is empty\n")


@pytest.mark.parametrize(
    "option", [["--as", "octal"], ["--skip", "-1"], ["--skip", "256"], ["--frobnicate"], ["--at", "x"]]
)
def test_an_option_that_cannot_be_is_a_wrong_request(capsys: pytest.CaptureFixture[str], option: list[str]) -> None:
    code, out, err = run(capsys, "orchard.toml", "a.log", *option)
    assert (code, out) == (2, "")
    assert option[0] in err


@pytest.mark.parametrize(("stream", "file"), [("stdin", "-"), ("stdout", "a.log")])
def test_a_closed_stream_is_a_wrong_request(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, stream: str, file: str
) -> None:
    with monkeypatch.context() as closed:
        closed.setattr(sys, stream, None)
        code = main(["decode", "orchard.toml", file])
    word = "input" if stream == "stdin" else "output"
    assert code == 2
    assert capsys.readouterr().err.startswith(f"standard {word} is closed")


def test_a_faulty_spec_is_a_wrong_request(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "bad.toml").write_text("[protocol\n", encoding="utf-8")
    code, out, err = run(capsys, "bad.toml", "a.log")
    assert (code, out) == (2, "")
    assert err.startswith("bad.toml:1:")


def test_a_wrong_request_writes_no_folder(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    assert run(capsys, "orchard.toml", "x.log", "--csv", "-o", "tables")[0] == 2
    assert not (folder / "tables").exists()


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        ("a.log", 0, ""),
        ("good.log --strict", 0, ""),
        ("a.log --strict", 1, "--strict: 1 of the frames was refused\n"),
        ("a.log a.log --strict", 1, "--strict: 2 of the frames were refused\n"),
        ("a.log --allow-refused 25%", 0, ""),
        ("a.log --allow-refused 25", 0, ""),
        ("a.log --allow-refused 24.9%", 1, "--allow-refused 24.9%: 25.0 % of the frames were refused\n"),
        ("a.log --allow-refused 0", 1, "--allow-refused 0: 25.0 % of the frames were refused\n"),
        ("a.log --allow-refused 100%", 0, ""),
        ("a.log --frame valve_order --allow-refused 25%", 0, ""),
    ],
)
def test_how_much_may_be_refused(capsys: pytest.CaptureFixture[str], arguments: str, code: int, says: str) -> None:
    """The share is that of all frames, shown or not: one in four here."""
    found, out, err = run(capsys, "orchard.toml", *arguments.split())
    assert (found, err) == (code, says)
    assert " refused + " in out


def test_the_exit_code_of_an_empty_log_is_fine_even_when_nothing_may_be_refused(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    (folder / "a.log").write_bytes(b"")
    assert run(capsys, "orchard.toml", "a.log", "--allow-refused", "0")[0] == 0
