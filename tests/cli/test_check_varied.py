"""`ullage check` shows frames of varying length: what is at fixed places, and what depends on counts and flags."""

import json
from pathlib import Path

import pytest

from support.varied import HISTORY, RADIO, SUM, UART
from ullage_cli.main import main

HISTORY_SCREEN = """\
history  7..21 octets · 124..185 ms on air
  The last levels of a cistern
  octet  bits  field      reading                             codes
  0         8  message    1
  1         8  source     station 0..255
  2        16  sequence   0..65535, then 0 again              in 455 days at one every 10 min; low
                                                              octet first
  4         5  number     0..31                               counts items of readings
            1  has_extra  yes or no                           1 yes, 0 no; says whether extra is
                                                              there
            1  lid        one of 2                            0 shut, 1 open
  ..           readings   list, 0..4 items by number          13 bits an item
  ..       12    level    0..2500 mm by 1 mm                  4095 no_echo; 1594 unused
  ..        1    ok       yes or no                           1 yes, 0 no
  ..           extra      group, there when has_extra is yes  49..63 bits
  ..        8    t        -20.0..60.0 Cel by 0.5 Cel          95 unused; clamped
  ..       32    cal      any number of V                     IEEE 754 single precision
  ..        2    n        1..3                                1 unused; counts items of runs
  ..             runs     list, 1..3 items by n               7 bits an item
  ..        7      secs   0..127
  ..        3  last       0..7
  ..           (fill)     zeros up to a whole octet
  ..        8  8-bit sum  over all octets before it           begins with 3; inverted
  example  01 11 09 00 14 9c 44 e2 28 20 d6 00 00 4f df b0 0f
           ullage explain terrace.toml "01 11 09 00 14 9c 44 e2 28 20 d6 00 00 4f df b0 0f"
"""

FLOW_SCREEN = """\
flow  11 octets · 144 ms on air · one more octet costs nothing, the 13th costs 20 ms
  octet  bits  field      reading                 codes
  0         8  message    2
  1         8  source     station 0..255
  2        16  sequence   0..65535, then 0 again  low octet first
  4        16  much       0..65535 l by 1 l       low octet first
  6        32  ratio      any number              IEEE 754 single precision
  10        8  8-bit sum  over octets 0..9        begins with 3; inverted
  example  02 11 09 00 ff 7f 41 ac 00 00 75
           ullage explain terrace.toml "02 11 09 00 ff 7f 41 ac 00 00 75"
"""

ECHO_SCREEN = """\
echo  5..23 octets
  octet  bits  field       reading                    codes
  0         8  mark        255
  1         8  size        octets after it
  2         8  bits        0..255                     counts items of blocks
  ..           blocks      list, 0..9 items by bits   16 bits an item
  ..       16    away      0..5000 mm by 1 mm         65535 lost; 60534 unused
  ..       16  16-bit sum  over all octets before it  low octet first
  example  ff 07 02 09 c4 09 c4 a2 02
           ullage explain head.toml "ff 07 02 09 c4 09 c4 a2 02"
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "terrace.toml").write_text(HISTORY + SUM + RADIO, encoding="utf-8")
    (tmp_path / "head.toml").write_text(UART, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_screen_of_frames_that_vary(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "terrace.toml", "head.toml"]) == 0
    out = capsys.readouterr().out
    parts = [part.rstrip("\n") for part in out.split("\n\n")]
    for screen in (HISTORY_SCREEN, FLOW_SCREEN, ECHO_SCREEN):
        assert screen.rstrip("\n") in parts
    assert max(map(len, out.splitlines())) <= 100


def test_every_example_is_explained_as_fine(capsys: pytest.CaptureFixture[str]) -> None:
    for spec in ("terrace.toml", "head.toml"):
        main(["check", spec])
        commands = [line.split(f"{spec} ")[1] for line in capsys.readouterr().out.splitlines() if "ullage exp" in line]
        for octets in commands:
            assert main(["explain", spec, octets.strip('"')]) == 0
            assert capsys.readouterr().out.startswith("fine: ")


def test_json_has_lists_and_groups_with_entries_of_their_own(capsys: pytest.CaptureFixture[str]) -> None:
    main(["check", "--json", "terrace.toml", "head.toml"])
    terrace, head = json.loads(capsys.readouterr().out)
    history, flow, words = terrace["frames"]
    assert (history["least_octets"], history["octets"], flow["least_octets"], flow["octets"]) == (7, 21, 11, 11)
    entries = {entry["name"]: entry for entry in history["entries"]}
    assert entries["readings"] | {"entries": []} == {
        "name": "readings",
        "kind": "list",
        "counted_by": "number",
        "item_octets": None,
        "least": 0,
        "at_most": 4,
        "entries": [],
        "summary": "",
    }
    inside = entries["readings"]["entries"]
    assert [(one["name"], one["offset"], one["bits"]) for one in inside] == [("level", None, 12), ("ok", None, 1)]
    assert (entries["extra"]["kind"], entries["extra"]["when"]) == ("group", "has_extra")
    assert [one["kind"] for one in entries["extra"]["entries"]] == ["measure", "binary32", "count", "list"]
    assert (entries["lid"]["offset"], entries["last"]["offset"]) == (38, None)
    assert (entries["sequence"]["low_first"], entries["last"]["low_first"]) == (True, False)
    assert words["entries"][-1]["item_octets"] == 2
    assert head["frames"][0]["entries"][1]["covers"] == "rest"
    assert flow["entries"][-1]["unit"] == ""
