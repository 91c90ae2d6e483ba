"""`ullage begin` gives a spec that is sound, explained and never overwrites anything."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import ullage
from support.command import runner
from ullage.layout import Scaled
from ullage.spec.advice import advice
from ullage_cli.main import main


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("begin")


def test_the_screen_says_what_was_written_and_what_comes_next(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "tank") == (
        0,
        "tank.toml  a level report over LoRa, 10 octets: edit the numbers, every line says what it does\n"
        "next       ullage check tank.toml\n"
        "           ullage emit c tank.toml -o .\n",
        "",
    )


def test_the_spec_is_sound_and_named_as_asked(capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "tank")
    protocol = ullage.load("tank.toml")
    assert protocol.name == "tank"
    assert [slot.name for slot in protocol.frames["level_report"].slots] == [
        *("revision", "message", "destination", "source", "sequence"),
        *("sensor", "distance", "battery"),
    ]
    slots = {slot.name: slot.transform for slot in protocol.frames["level_report"].slots}
    distance, battery, destination = slots["distance"], slots["battery"], slots["destination"]
    assert isinstance(distance, Scaled)
    assert [special.name for special in distance.specials] == ["no_echo", "too_close"]
    assert isinstance(battery, Scaled)
    assert battery.clamp
    assert isinstance(destination, Scaled)
    assert destination.broadcast == 255
    assert protocol.integrity is not None
    assert protocol.integrity.check.name == "CRC-16/IBM-3740"
    assert protocol.radio is not None
    assert advice(protocol, Path("tank.toml").read_text(encoding="utf-8")) == ()


def test_the_next_command_works(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "tank")
    command = out.splitlines()[1].split()[2:]
    assert main(command) == 0
    assert capsys.readouterr().out.startswith("tank, revision 1 · ")


def test_the_file_is_plain_and_says_what_a_display_cannot_protect(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    run(capsys, "tank")
    text = (folder / "tank.toml").read_bytes().decode("ascii")
    assert "\r" not in text
    assert max(map(len, text.splitlines())) <= 100
    assert "NAME_OF" not in text
    assert "ullage check tank.toml" in text
    for caution in ("informs, it does not protect", "high-level switch", "dry-run cut-out", "under local codes"):
        assert caution in text


def test_every_line_of_the_file_says_what_it_does(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """A comment stands in the line, or on the line above it; brackets and a table's name need none."""
    run(capsys, "tank")
    lines = (folder / "tank.toml").read_text("ascii").splitlines()
    for above, line in zip(["", *lines], lines, strict=False):
        speaks = "#" in line or above.lstrip().startswith("#")
        assert speaks or not line or line in ("field = [", "]"), line


@pytest.mark.parametrize("arguments", [["tank", "-o", "specs"], ["-o", "specs", "tank.toml"]])
def test_another_folder_and_the_files_own_name_are_taken(
    capsys: pytest.CaptureFixture[str], folder: Path, arguments: list[str]
) -> None:
    (folder / "specs").mkdir()
    code, out, _ = run(capsys, *arguments)
    assert code == 0
    path = str(Path("specs", "tank.toml"))
    assert out.splitlines()[1].split() == ["next", "ullage", "check", path]
    assert out.splitlines()[2].split() == ["ullage", "emit", "c", path, "-o", "specs"]
    assert ullage.load(path).name == "tank"


def test_a_file_that_is_there_stays_as_it_is(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "tank.toml").write_text("mine")
    code, out, err = run(capsys, "tank")
    assert (code, out) == (2, "")
    assert err.startswith("tank.toml: this is there already, and nothing was written\n  help: ")
    assert (folder / "tank.toml").read_text() == "mine"


@pytest.mark.parametrize(
    ("name", "complaint"),
    [
        ("Tank-1", '"Tank-1" is no name: a small letter first, then small letters, digits and _\n'
                   '  help: for example "tank_1"\n'),
        ("signed", '"signed" cannot be a name in C\n  help: any other name, for example "the_signed"\n'),
        ("../tank", '"../tank" is no name: a small letter first, then small letters, digits and _\n'
                    '  help: for example "tank"\n'),
    ],
)  # fmt: skip
def test_a_name_that_no_language_takes_is_refused_with_help(
    capsys: pytest.CaptureFixture[str], folder: Path, name: str, complaint: str
) -> None:
    assert run(capsys, name) == (2, "", complaint)
    assert list(folder.iterdir()) == []


def test_a_folder_that_is_not_there_is_not_made(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    code, out, err = run(capsys, "tank", "-o", "nowhere")
    assert (code, out, err) == (2, "", "nowhere: there is no such folder\n")
    assert list(folder.iterdir()) == []


def test_a_console_of_plain_letters_shows_the_same(folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from ullage_cli.main import run; run()", "begin", "tank"],
        capture_output=True,
        check=False,
        cwd=folder,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.startswith(b"tank.toml  a level report over LoRa, 10 octets: ")


def test_the_help_ends_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--help")
    assert "Example:\n    ullage begin tank\n" in out
