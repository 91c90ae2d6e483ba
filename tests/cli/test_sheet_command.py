"""`ullage sheet` as it is typed, and its page in the place of the spec with every command."""

from pathlib import Path

import pytest

import ullage
from ullage_cli.main import main

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"
OCTETS = "21 01 11 00 09 03 d8 79 33 d7"


@pytest.fixture
def page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    path = tmp_path / "orchard.html"
    assert main(["sheet", str(SPEC), "-o", str(path)]) == 0
    capsys.readouterr()
    return path


@pytest.mark.parametrize("name", ["orchard.html", "orchard.md", "ORCHARD.HTM"])
def test_the_page_is_written_and_said_in_one_line(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    assert main(["sheet", str(SPEC), "-o", str(path)]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith(f"{path} · orchard, revision 1, 4 frames, fingerprint {ullage.load(SPEC).fingerprint}")
    assert printed.count("\n") == 1
    assert [found.name for found in tmp_path.iterdir()] == [name]


def test_another_ending_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sheet", str(SPEC), "-o", str(tmp_path / "orchard.pdf")]) == 2
    assert capsys.readouterr().err == f"{tmp_path / 'orchard.pdf'}: give a name that ends in .html or .md\n"


def test_a_faulty_spec_leaves_the_old_page(tmp_path: Path, page: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = page.read_bytes()
    bad = tmp_path / "bad.toml"
    bad.write_text(SPEC.read_text().replace("step = 0.01", "step = 0.013"))
    assert main(["sheet", str(bad), "-o", str(page)]) == 2
    assert "no whole number of steps" in capsys.readouterr().err
    assert page.read_bytes() == before


def test_a_missing_folder_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sheet", str(SPEC), "-o", str(tmp_path / "no" / "a.html")]) == 2
    assert capsys.readouterr().err == f"{tmp_path / 'no'}: there is no such folder\n"


def test_a_page_made_from_a_page_is_the_same_page(page: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.html"
    assert main(["sheet", str(page), "-o", str(again)]) == 0
    assert again.read_bytes() == page.read_bytes()


def test_every_command_takes_the_page(page: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each prints what it prints for the spec itself, but for the file's name."""
    log = tmp_path / "receiver.log"
    log.write_text(OCTETS + "\n")
    order = ["destination=17", "source=1", "sequence=1", "order=1", "valve=open", "expires=60"]
    requests = [
        ["check", "--json", "SPEC"],
        ["explain", "SPEC", OCTETS],
        ["decode", "SPEC", str(log)],
        ["encode", "SPEC", "valve_order", *order],
        ["emit", "c", "SPEC", "-o", "-"],
        ["simulate", "SPEC", "--frames", "3", "-o", str(tmp_path / "log.txt")],
        ["sheet", "SPEC", "-o", str(tmp_path / "sheet.md")],
    ]
    for request in requests:
        told = []
        for spec in (SPEC, page):
            assert main([str(spec) if word == "SPEC" else word for word in request]) == 0, request
            told.append(capsys.readouterr().out.replace(str(spec), "SPEC").replace(spec.name, "SPEC"))
        assert told[0].split() == told[1].split()


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sheet", "--help"]) == 0
    assert "ullage sheet spec/orchard.toml -o orchard.html" in capsys.readouterr().out
