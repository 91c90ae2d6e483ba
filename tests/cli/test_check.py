"""`ullage check` shows what a spec means and costs, or all that is wrong with it."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import ullage
from support.command import runner
from ullage_cli.main import main

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"

FAULTY = """
[protocol]
name = "orchard"
[[frame]]
name = "level_report"
field = [
  { name = "distance", kind = "mesure", unit = "mm", range = [250, 6000], step = 1 },
  { name = "battery", kind = "measure", unit = "V", range = [2, 4], step = 0.1, clam = true },
]
"""

LEVEL_REPORT = """\
level_report  10 octets · 144 ms on air · two more octets cost nothing, the 13th costs 20 ms
  One reading of one sensor
  octet  bits  field            reading                 codes
  0         3  revision         1
            5  message          1
  1         8  destination      station 0..254          255 everybody
  2         8  source           station 0..255
  3        16  sequence         0..65535, then 0 again  in 455 days at one every 10 min
  5         3  sensor           0..7
           13  distance         250..6000 mm by 1 mm    8191 no_echo, 8190 too_close; 2439 unused
  7         8  battery          2.00..4.50 V by 0.01 V  5 unused; clamped
  8        16  CRC-16/IBM-3740  over octets 0..7        high octet first
  example  21 01 11 00 09 0b 3b 7d 9f 13
           ullage explain orchard.toml "21 01 11 00 09 0b 3b 7d 9f 13"
"""

STATUS_REPORT = """\
status_report  20 octets · 185 ms on air · one more octet costs nothing, the 22nd costs 20 ms
  How a station fares, once a day and after every start
  octet  bits  field            reading                      codes
  0         3  revision         1
            5  message          2
  1         8  destination      station 0..254               255 everybody
  2         8  source           station 0..255
  3        16  sequence         0..65535, then 0 again       in 179 years at one every day
  5        24  uptime           time since a start, by 60 s  lasts 31 years
  8         8  starts           0..255
  9         2  start_cause      one of 4                     0 power, 1 watchdog, 2 brownout,
                                                             3 update
            8  temperature      -40.0..85.0 Cel by 0.5 Cel   255 no_sensor; 4 unused; clamped
  10        7  panel            0.0..7.5 V by 0.1 V          127 no_panel; 51 unused; clamped
  11        1  lid_open         yes or no                    1 yes, 0 no
            2  valve            one of 4                     0 shut, 1 half, 2 open, 3 stuck
           48  firmware         text, up to 6 characters     ASCII 20..7e, zeros at the end
  17        4  (fill)           unused, zero
  18       16  CRC-16/IBM-3740  over octets 0..17            high octet first
  example  22 01 11 00 09 00 0b fe 7f 1f 52 87 36 16 d7 06 c6 50 46 5a
           ullage explain orchard.toml 2201110009000bfe7f1f52873616d706c650465a
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(SPEC, tmp_path / "orchard.toml")
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("check")


def test_the_screen_of_the_orchard(capsys: pytest.CaptureFixture[str]) -> None:
    """A head with name, fingerprint and radio, then a table for each frame, then advice."""
    code, out, err = run(capsys, "orchard.toml")
    assert (code, err) == (0, "")
    fingerprint = ullage.load("orchard.toml").fingerprint
    head, *frames = out.split("\n\n")
    assert head == (
        "orchard, revision 1 · Cistern levels to the pump house, valve orders back\n"
        f"fingerprint {fingerprint} · on air with SF9, 125 kHz, 4/5"
    )
    assert frames[0] + "\n" == LEVEL_REPORT
    assert frames[1] + "\n" == STATUS_REPORT
    assert [text.split()[0] for text in frames[2:]] == ["valve_order", "acknowledgement", "advice"]
    assert frames[4] == (
        "advice\n"
        "orchard.toml:52:5: this order is not sealed: anyone with such a radio can send it\n"
        '   52 |   { name = "valve",   kind = "code",    codes = { shut = 0, half = 1, open = 2 }, role = "o…\n'
        "      |     ^^^^^^^^^^^^^^\n"
        "  help: a table [seal]; whatever it moves has to stay safe whoever sends it\n"
    )


def test_no_line_is_wider_than_a_hundred_columns(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "orchard.toml")
    assert max(map(len, out.splitlines())) <= 100


def test_every_example_is_explained_as_fine(capsys: pytest.CaptureFixture[str]) -> None:
    """The command printed under a sample frame works as it stands."""
    _, out, _ = run(capsys, "orchard.toml")
    commands = [line.split("orchard.toml ")[1].strip('"') for line in out.splitlines() if "ullage explain" in line]
    assert len(commands) == 4
    for octets in commands:
        assert main(["explain", "orchard.toml", octets]) == 0
        assert capsys.readouterr().out.startswith("fine: ")


def test_a_spec_without_radio_and_summaries_says_less(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    text = '[protocol]\nname = "bare"\n[[frame]]\nname = "only"\nfield = [{name="wet", kind="flag"}]\n'
    (folder / "bare.toml").write_text(text)
    _, out, _ = run(capsys, "bare.toml")
    assert out.splitlines()[0] == "bare, revision 1"
    assert out.splitlines()[2:] == [
        "",
        "only  1 octet",
        "  octet  bits  field   reading       codes",
        "  0         1  wet     yes or no     1 yes, 0 no",
        "            7  (fill)  unused, zero",
        "  example  00",
        '           ullage explain bare.toml "00"',
    ]


def test_faults_go_to_standard_output_all_at_once_and_the_code_is_1(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    (folder / "faulty.toml").write_text(FAULTY)
    with pytest.raises(ullage.SpecError) as caught:
        ullage.load("faulty.toml")
    code, out, err = run(capsys, "faulty.toml")
    assert (code, err) == (1, "")
    assert out.splitlines() == [*caught.value.lines(), "", "2 faults in faulty.toml"]
    assert out.startswith("faulty.toml")
    assert "mesure" in out
    assert "help: " in out


def test_several_specs_come_one_after_another_and_one_faulty_one_makes_1(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    (folder / "faulty.toml").write_text(FAULTY)
    code, out, _ = run(capsys, "faulty.toml", "orchard.toml")
    assert code == 1
    assert out.index("2 faults in faulty.toml") < out.index("orchard, revision 1")


def test_a_folder_stands_for_its_toml_files_each_once(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    shutil.copy(SPEC, folder / "again.toml")
    (folder / "note.txt").write_text("no spec")
    code, out, _ = run(capsys, ".", "again.toml")
    assert code == 0
    assert out.count("orchard, revision 1") == 2


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["nowhere.toml"], "nowhere.toml: there is no such file\n"),
        (["orchard.toml", "nowhere.toml"], "nowhere.toml: there is no such file\n"),
        (["empty"], "empty: there is no .toml file in this folder\n"),
    ],
)
def test_a_wrong_request_is_2_and_says_nothing_else(
    capsys: pytest.CaptureFixture[str], folder: Path, arguments: list[str], complaint: str
) -> None:
    (folder / "empty").mkdir()
    assert run(capsys, *arguments) == (2, "", complaint)


def test_json_is_one_document_with_layout_and_fingerprint_or_faults(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    (folder / "faulty.toml").write_text(FAULTY)
    code, out, err = run(capsys, "--json", "orchard.toml", "faulty.toml")
    assert (code, err) == (1, "")
    good, faulty = json.loads(out)
    protocol = ullage.load("orchard.toml")
    assert good["file"] == "orchard.toml"
    assert (good["name"], good["revision"]) == ("orchard", 1)
    assert (good["fingerprint"], good["fingerprint_input"]) == (protocol.fingerprint, protocol.fingerprint_input)
    assert [(frame["name"], frame["octets"]) for frame in good["frames"]] == [
        (layout.name, layout.octets) for layout in protocol.frames.values()
    ]
    assert [(slot["name"], slot["offset"], slot["bits"]) for slot in good["frames"][1]["entries"]] == [
        (slot.name, slot.offset, slot.bits) for slot in protocol.frames["status_report"].slots
    ]
    assert faulty["file"] == "faulty.toml"
    assert len(faulty["faults"]) == 2
    assert set(faulty["faults"][0]) == {"code", "path", "line", "column", "span", "text", "note", "help"}
    assert [faulty["faults"][0][key] for key in ("line", "column", "span")] == [7, 31, 8]
    assert [(item["code"], item["line"]) for item in good["advice"]] == [("unsealed_order", 52)]
    assert faulty["faults"][0]["code"] == "no_kind"
    assert faulty["faults"][0]["path"][:4] == ["frame", 0, "field", 0]


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_every_console_can_print_it(folder: Path, encoding: str) -> None:
    """Where there is no middle dot or µ, plain letters stand for them."""
    (folder / "fine.toml").write_text(
        '[protocol]\nname = "fine"\nsummary = "half → full"\n[[frame]]\nname = "only"\n'
        'field = [{name="a", kind="measure", unit="µm", range=[0, 9], step=1}]\n',
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, "-c", "from ullage_cli.main import run; run()", "check", "fine.toml", "orchard.toml"],
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": encoding},
    )
    assert (done.returncode, done.stderr) == (0, b"")
    out = done.stdout.decode(encoding)
    assert "0..9 µm by 1 µm" in out if encoding != "ascii" else "0..9 um by 1 um" in out
    assert "?" not in out
    assert "half" in out
    assert "full" in out


def test_the_help_ends_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--help")
    assert "Example:\n    ullage check spec/orchard.toml\n" in out
