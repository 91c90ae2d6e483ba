"""Every command that needs a good spec shows the faults of a bad one as `check` does, on standard error."""

import json
from pathlib import Path

import pytest

import ullage
from ullage_cli.main import main

FAULTY = """\
[protocol]
name = "orchard"
[[frame]]
name = "level_report"
field = [
  { name = "distance", kind = "measure", unit = "mm", range = [250, 6001], step = 5 },
  { name = "battery", kind = "measure", unit = "V", range = [2, 4], step = 0.1, clam = true },
]
"""
SAID = """\
faulty.toml:6:69: 6001 mm is no whole number of steps of 5 mm
    6 |   { name = "distance", kind = "measure", unit = "mm", range = [250, 6001], step = 5 },
      |                                                                     ^^^^
        6000, 6005 are.
  help: range = [250, 6000], or step = 1: 13 bits instead of 11

faulty.toml:7:81: a measure has no key "clam"
    7 |   { name = "battery", kind = "measure", unit = "V", range = [2, 4], step = 0.1, clam = true…
      |                                                                                 ^^^^
  help: clamp = …, perhaps

2 faults in faulty.toml"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "faulty.toml").write_text(FAULTY, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_check_prints_them_on_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "faulty.toml"]) == 1
    assert capsys.readouterr().out == SAID + "\n"


@pytest.mark.parametrize(
    "arguments",
    [
        ["emit", "c", "faulty.toml"],
        ["encode", "faulty.toml", "level_report", "distance=300"],
        ["explain", "faulty.toml", "00"],
        ["decode", "faulty.toml", "receiver.log"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_the_others_print_the_same_on_standard_error(
    capsys: pytest.CaptureFixture[str], arguments: list[str], folder: Path
) -> None:
    (folder / "receiver.log").write_text("00 00\n")
    assert main(arguments) == 2
    said = capsys.readouterr()
    assert (said.out, said.err) == ("", SAID + "; nothing was written.\n")


def test_json_gives_the_same_places_to_programs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--json", "faulty.toml"]) == 1
    (told,) = json.loads(capsys.readouterr().out)
    assert [[fault[key] for key in ("code", "line", "column", "span")] for fault in told["faults"]] == [
        ["off_step", 6, 69, 4],
        ["unknown_key", 7, 81, 4],
    ]
    assert told["faults"][0]["note"] == "6000, 6005 are."
    with pytest.raises(ullage.SpecError) as caught:
        ullage.load("faulty.toml")
    assert [fault["text"] for fault in told["faults"]] == [fault.text for fault in caught.value.faults]


def test_advice_of_a_good_spec_has_places_too_and_changes_no_exit_code(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    good = FAULTY.replace("6001", "6000").replace("clam =", "clamp =")
    (folder / "good.toml").write_text(good, encoding="utf-8")
    assert main(["check", "good.toml"]) == 0
    assert capsys.readouterr().out.partition("\nadvice\n")[2] == (
        'good.toml:6:5: "distance" has neither clamp nor special code: beyond 250..6000 mm nothing is sent\n'
        '    6 |   { name = "distance", kind = "measure", unit = "mm", range = [250, 6000], step = 5 },\n'
        "      |     ^^^^^^^^^^^^^^^^^\n"
        '  help: clamp = true, or special = ["unknown"] (897 codes are free), or range = [250, 10485] (the\n'
        "        same bits hold it)\n"
        "\n"
        'good.toml:6:5: 897 of the 2048 codes of "distance" stand for nothing\n'
        '    6 |   { name = "distance", kind = "measure", unit = "mm", range = [250, 6000], step = 5 },\n'
        "      |     ^^^^^^^^^^^^^^^^^\n"
        "  help: range = [250, 10485] costs no more; range = [250, 5365] saves a bit\n"
    )
    assert main(["check", "--json", "good.toml"]) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert told["advice"][0]["code"] == "silent"
    assert (told["advice"][0]["line"], told["advice"][0]["span"]) == (6, 17)
