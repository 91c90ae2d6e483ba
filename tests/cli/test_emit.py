"""`ullage emit c` as a firmware author types it."""

from pathlib import Path

import pytest

from ullage_cli.main import main

SPEC = str(Path(__file__).parents[2] / "spec" / "orchard.toml")


def test_the_header_is_written_and_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["emit", "c", SPEC, "-o", str(tmp_path)]) == 0
    assert "level_report 10 octets" in capsys.readouterr().out
    assert (tmp_path / "orchard.h").read_text().startswith("/* orchard.h: ")
    assert [path.name for path in tmp_path.iterdir()] == ["orchard.h"]


def test_verify_writes_nothing_and_answers_by_exit_code(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["emit", "c", SPEC, "-o", str(tmp_path), "--verify"]) == 1
    assert not list(tmp_path.iterdir())
    main(["emit", "c", SPEC, "-o", str(tmp_path)])
    assert main(["emit", "c", SPEC, "-o", str(tmp_path), "--verify"]) == 0
    path = tmp_path / "orchard.h"
    path.write_text(path.read_text().replace("octets[0] = 0x21u", "octets[0] = 0x22u"))
    capsys.readouterr()
    assert main(["emit", "c", SPEC, "-o", str(tmp_path), "--verify"]) == 1
    assert "emit again" in capsys.readouterr().out


def test_a_dash_prints_the_header(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["emit", "c", SPEC, "-o", "-"]) == 0
    printed = capsys.readouterr().out
    main(["emit", "c", SPEC, "-o", str(tmp_path)])
    assert printed == (tmp_path / "orchard.h").read_text()


def test_a_missing_folder_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["emit", "c", SPEC, "-o", str(tmp_path / "no")]) == 2
    assert capsys.readouterr().err == f"{tmp_path / 'no'}: there is no such folder\n"


def test_a_faulty_spec_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(Path(SPEC).read_text().replace("step = 0.01", "step = 0.013"))
    assert main(["emit", "c", str(bad), "-o", str(tmp_path)]) == 2
    assert "no whole number of steps" in capsys.readouterr().err
    assert not (tmp_path / "orchard.h").exists()


def test_a_name_clash_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text('[protocol]\nname = "farm"\n[[frame]]\nname = "message"\nfield = [{ name = "on", kind = "flag" }]\n')
    assert main(["emit", "c", str(bad), "-o", str(tmp_path)]) == 2
    error = capsys.readouterr().err
    assert "farm_message in C; rename one of them" in error
    assert len(error.splitlines()) == 1
