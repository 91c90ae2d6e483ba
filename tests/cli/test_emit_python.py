"""`ullage emit python` as an integrator types it."""

from pathlib import Path

import pytest

from support.command import runner

SPEC = str(Path(__file__).parents[2] / "spec" / "orchard.toml")
run = runner("emit", "python")


def test_the_module_is_written_and_its_classes_are_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, SPEC, "-o", str(tmp_path))
    assert code == 0
    assert "orchard_frames.py · LevelReport, StatusReport, ValveOrder, Acknowledgement\n" in out
    assert [path.name for path in tmp_path.iterdir()] == ["orchard_frames.py"]
    assert (tmp_path / "orchard_frames.py").read_text().startswith('"""orchard_frames: ')


def test_verify_answers_by_exit_code(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, SPEC, "-o", str(tmp_path), "--verify")[0] == 1
    assert not list(tmp_path.iterdir())
    run(capsys, SPEC, "-o", str(tmp_path))
    assert run(capsys, SPEC, "-o", str(tmp_path), "--verify")[0] == 0
    path = tmp_path / "orchard_frames.py"
    path.write_text(path.read_text().replace("word >> 8 & 0x1fff", "word >> 8 & 0x1ffe"))
    code, out, _ = run(capsys, SPEC, "-o", str(tmp_path), "--verify")
    assert code == 1
    assert "emit again" in out


def test_a_name_clash_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(Path(SPEC).read_text().replace('"status_report"', '"a1"').replace('"valve_order"', '"a_1"'))
    code, _, error = run(capsys, str(bad), "-o", str(tmp_path))
    assert code == 2
    assert 'frame "a1" and frame "a_1" would both be called A1 in Python; rename one of them' in error
    assert len(error.splitlines()) == 1
    assert not (tmp_path / "orchard_frames.py").exists()
