"""`ullage emit javascript` as an integrator types it."""

import subprocess
from pathlib import Path

import pytest

from support.ends import need
from ullage_cli.main import main

SPEC = str(Path(__file__).parents[2] / "spec" / "orchard.toml")


def test_the_module_is_written_said_and_imported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    need("node")
    assert main(["emit", "javascript", SPEC, "-o", str(tmp_path)]) == 0
    assert capsys.readouterr().out == (
        f"{tmp_path / 'orchard.mjs'} · level_report 10 octets · status_report 20 octets · valve_order 10 octets"
        " · acknowledgement 9 octets\nfingerprint 0bbb68c62f50fdba: both ends must show the same one\n"
    )
    program = (
        'import * as orchard from "./orchard.mjs"; console.log(Object.keys(orchard).sort().join(" "), orchard.NAME);'
    )
    command = ["node", "--input-type=module", "-e", program]
    said = subprocess.run(command, capture_output=True, text=True, check=True, cwd=tmp_path).stdout
    names = "EncodeError FINGERPRINT NAME REVISION decode decodeDownlink decodeUplink encode encodeDownlink octetsOf"
    assert said == f"{names} orchard\n"


def test_verify_writes_nothing_and_answers_by_exit_code(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["emit", "javascript", SPEC, "-o", str(tmp_path)]
    assert main([*command, "--verify"]) == 1
    assert not list(tmp_path.iterdir())
    main(command)
    assert main([*command, "--verify"]) == 0
    path = tmp_path / "orchard.mjs"
    path.write_text(path.read_text().replace('highest: "6000"', 'highest: "6001"'))
    capsys.readouterr()
    assert main([*command, "--verify"]) == 1
    assert "emit again" in capsys.readouterr().out


def test_a_dash_prints_the_module(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["emit", "javascript", SPEC, "-o", "-"]) == 0
    printed = capsys.readouterr().out
    main(["emit", "javascript", SPEC, "-o", str(tmp_path)])
    assert printed == (tmp_path / "orchard.mjs").read_text()


def test_a_faulty_spec_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(Path(SPEC).read_text().replace("step = 0.01", "step = 0.013"))
    assert main(["emit", "javascript", str(bad), "-o", str(tmp_path)]) == 2
    assert "no whole number of steps" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["bad.toml"]
