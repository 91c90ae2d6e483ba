"""`ullage emit c SPEC --older OLD_SPEC` as the author of a receiver types it."""

from pathlib import Path

import pytest

from ullage_cli.main import main

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"


@pytest.fixture
def newer(tmp_path: Path) -> str:
    """The orchard's next revision, where batteries may be fuller."""
    path = tmp_path / "orchard2.toml"
    text = SPEC.read_text(encoding="utf-8").replace("revision = 1\n", "revision = 2\n")
    path.write_text(text.replace("[2.00, 4.50]", "[2.00, 4.60]"), encoding="utf-8")
    return str(path)


def test_the_header_reads_both_and_says_so(newer: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["emit", "c", newer, "-o", str(tmp_path), "--older", str(SPEC)]) == 0
    assert "acknowledgement 9 octets · reads revision 1 too\n" in capsys.readouterr().out
    assert "orchard_decode_any_at(" in (tmp_path / "orchard.h").read_text()


def test_verify_needs_the_same_older_spec(newer: str, tmp_path: Path) -> None:
    older = tmp_path / "older.toml"
    older.write_bytes(SPEC.read_bytes())
    command = ["emit", "c", newer, "-o", str(tmp_path), "--older", str(older)]
    assert main(command) == 0
    assert main([*command, "--verify"]) == 0
    assert main([*command[:-2], "--verify"]) == 1
    older.write_text(older.read_text(encoding="utf-8").replace("[250, 6000]", "[250, 6001]"), encoding="utf-8")
    assert main([*command, "--verify"]) == 1


def test_a_spec_that_is_not_older_is_one_sentence(
    newer: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["emit", "c", str(SPEC), "-o", str(tmp_path), "--older", newer]) == 2
    said = capsys.readouterr().err
    text = "revision 2 is not older than revision 1; emit from the newest spec and give the other one with --older\n"
    assert said == text
    assert not (tmp_path / "orchard.h").exists()


def test_a_faulty_older_spec_writes_nothing_and_names_its_file(
    newer: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    older = tmp_path / "older.toml"
    older.write_text(SPEC.read_text(encoding="utf-8").replace("step = 0.01", "step = 0.013"), encoding="utf-8")
    assert main(["emit", "c", newer, "-o", str(tmp_path), "--older", str(older)]) == 2
    assert f"{older}:" in capsys.readouterr().err
    assert not (tmp_path / "orchard.h").exists()


def test_an_older_spec_that_is_not_there_is_one_sentence(
    newer: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["emit", "c", newer, "-o", str(tmp_path), "--older", str(tmp_path / "no.toml")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_verify_remembers_that_an_older_revision_was_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = Path(__file__).parents[2] / "examples" / "revisions"
    new, old = str(folder / "orchard.toml"), str(folder / "deployed" / "orchard-1.toml")
    assert main(["emit", "c", new, "--older", old, "-o", str(tmp_path)]) == 0
    assert main(["emit", "c", new, "--older", old, "-o", str(tmp_path), "--verify"]) == 0
    assert main(["emit", "c", new, "-o", str(tmp_path), "--verify"]) == 1
    assert "emit again, with --older as before" in capsys.readouterr().out
