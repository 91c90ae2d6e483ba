"""`ullage emit vectors` and `ullage emit c --self-test` as they are typed."""

import json
from pathlib import Path

import pytest

from ullage_cli.main import main

SPEC = str(Path(__file__).parents[2] / "spec" / "orchard.toml")


def test_the_vectors_are_written_and_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["emit", "vectors", SPEC, "-o", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    data = json.loads((tmp_path / "orchard_vectors.json").read_text(encoding="ascii"))
    assert f"{len(data['decode']) + len(data['encode'])} vectors\n  reasons too_short too_long integrity" in said
    assert "\n  statuses out_of_range\n" in said
    assert data["about"].startswith("Written by ullage ")
    assert [path.name for path in tmp_path.iterdir()] == ["orchard_vectors.json"]


def test_a_dash_prints_the_vectors_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["emit", "vectors", SPEC, "-o", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["protocol"] == "orchard"


def test_the_self_test_is_written_beside_the_header(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["emit", "c", SPEC, "-o", str(tmp_path), "--self-test"]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["orchard.h", "orchard_self_test.c"]
    assert "orchard_self_test.c · " in capsys.readouterr().out


def test_verify_asks_header_and_self_test_and_names_the_fields(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["emit", "c", SPEC, "-o", str(tmp_path), "--self-test"]
    assert main([*command, "--verify"]) == 1
    main(command)
    assert main([*command, "--verify"]) == 0
    changed = tmp_path / "orchard.toml"
    changed.write_text(Path(SPEC).read_text(encoding="utf-8").replace("range = [10, 2560]", "range = [10, 2550]"))
    capsys.readouterr()
    assert main(["emit", "c", str(changed), "-o", str(tmp_path), "--self-test", "--verify"]) == 1
    assert capsys.readouterr().out.count("valve_order: + bit 52 8 measure expires 10..2550 s by 10 s") == 2


def test_verify_of_vectors_writes_nothing_and_answers_by_exit_code(tmp_path: Path) -> None:
    command = ["emit", "vectors", SPEC, "-o", str(tmp_path)]
    assert main([*command, "--verify"]) == 1
    assert not list(tmp_path.iterdir())
    main(command)
    assert main([*command, "--verify"]) == 0
    path = tmp_path / "orchard_vectors.json"
    path.write_text(path.read_text().replace('"reason": 3', '"reason": 4', 1))
    assert main([*command, "--verify"]) == 1


def test_a_frame_whose_name_the_self_test_needs_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(
        '[protocol]\nname = "farm"\n[[frame]]\nname = "self_test"\nfield = [{ name = "on", kind = "flag" }]\n'
    )
    assert main(["emit", "c", str(bad), "-o", str(tmp_path), "--self-test"]) == 2
    error = capsys.readouterr().err
    assert "farm_self_test in C; rename one of them" in error
    assert len(error.splitlines()) == 1
    assert not (tmp_path / "farm.h").exists()
