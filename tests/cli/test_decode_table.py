"""`ullage decode` for people: a table in fixed columns, and a summary that adds up and says what to do next."""

import json
import re
import shutil
from binascii import crc_hqx
from pathlib import Path

import pytest

import ullage
from support.command import runner
from ullage_cli.main import main

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"

SOUND = "21 01 11 00 09 03 d8 79 33 d7"  # level_report from 17, number 9: 1234 mm, 3.21 V
DAMAGED = "21 01 11 00 09 01 d8 79 33 d7"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(SPEC, tmp_path / "orchard.toml")
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("decode")


def orchard() -> ullage.Protocol:
    return ullage.load(SPEC)


def sealed(octets: str) -> str:
    """Octets with CRC-16/IBM-3740, which the standard library has under another name."""
    plain = bytes.fromhex(octets)
    return (plain + crc_hqx(plain, 0xFFFF).to_bytes(2, "big")).hex(" ")


def log(folder: Path, *lines: str, name: str = "a.log") -> str:
    (folder / name).write_text("".join(line + "\n" for line in lines), encoding="utf-8")
    return name


def test_the_screen_of_a_small_log(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    order = orchard().encode(
        "valve_order", {"destination": 17, "source": 1, "sequence": 3, "order": 7, "valve": "half", "expires": 600}
    )
    no_echo = orchard().encode(
        "level_report",
        {"destination": 1, "source": 18, "sequence": 411, "sensor": 0, "distance": "no_echo", "battery": 3.64},
    )
    log(
        folder,
        f"2026-11-25 23:59:58.250 {SOUND} RSSI=-97 SNR=7.5",
        "2026-11-25 23:59:59 receiver ready",
        f"2026-11-26 00:00:01 rx {no_echo.hex()} RSSI=-104 SNR=1",
        f"2026-11-26 00:34:11 {DAMAGED}",
        f"2026-11-26 00:34:12 {order.hex(':')}",
        f"2026-11-26 00:40:00 {sealed('41 01 11 00 0a 03 d8 79')}",
        "",
    )
    assert run(capsys, "orchard.toml", "a.log") == (
        0,
        """\
  line  time      station    seq  frame            reading
        2026-11-25
     1  23:59:58       17      9  level_report     sensor 0  distance 1234 mm    battery 3.21 V
        2026-11-26
     3  00:00:01       18    411  level_report     sensor 0  distance no echo    battery 3.64 V
     4  00:34:11        -      -  refused  integrity: the CRC is 33d7, these 8 octets give 5db7
                                           21 01 11 00 09 01 d8 79 33 d7
     5  00:34:12        1      3  valve_order      to 17   order 7    valve half  expires 600 s
     6  00:40:00        -      -  refused  other_revision: a sound frame of revision 2; this spec is
                                           revision 1
                                           41 01 11 00 0a 03 d8 79 25 b3

7 lines = 3 readings + 2 refused + 2 without a frame
  1  integrity       first in line 4  ullage explain orchard.toml a.log:4
  1  other_revision  first in line 6  sound frames of revision 2; your spec is revision 1
""",
        "",
    )


def test_a_log_without_times_shows_none(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    _, out, _ = run(capsys, "orchard.toml", log(folder, SOUND))
    assert out.splitlines()[1] == (
        "     1  -              17      9  level_report     sensor 0  distance 1234 mm    battery 3.21 V"
    )


def test_the_command_that_a_row_names_explains_that_line(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    _, out, _ = run(capsys, "orchard.toml", log(folder, SOUND, f"  {DAMAGED}"))
    command = out.splitlines()[-1].partition("ullage ")[2].split()
    assert command == ["explain", "orchard.toml", "a.log:2"]
    assert main(command) == 0
    assert "refused: integrity" in capsys.readouterr().out


def test_named_commands_read_the_log_as_this_one_did(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    name = log(folder, f"data: ff{DAMAGED.replace(' ', '')}", name="my log")
    _, out, _ = run(capsys, "orchard.toml", name, "--after", "data:", "--skip", "1", "--at", "1")
    assert out.splitlines()[-1].endswith('ullage explain orchard.toml "my log:1" --after data: --at 1 --skip 1')


def test_counts_add_up_and_what_is_filtered_away_is_counted_too(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    main(["simulate", "orchard.toml", "--frames", "1000", "-o", "a.log", "--truth", "a.jsonl"])
    truth = [json.loads(line) for line in (folder / "a.jsonl").read_text(encoding="utf-8").splitlines()]
    lines = [one for one in truth if "line" in one]
    capsys.readouterr()
    for filters in ([], ["--from", "17"], ["--frame", "level_report", "--from", "17", "--from", "18"]):
        _, out, _ = run(capsys, "orchard.toml", "a.log", "--quiet", *filters)
        counts = {word: int(number) for number, word in re.findall(r"(\d+) ([a-z ]+?)(?= [=+]|$)", out.split("\n")[0])}
        total = counts.pop("lines")
        assert total == len(lines) == sum(counts.values())
        assert counts["refused"] == sum(one["must"] == "refused" for one in lines)
        assert counts["without a frame"] == sum(one["must"] == "none" for one in lines)
        if filters[:1] == ["--from"]:
            # What was read counts: a damaged frame that a decoder takes for another one is that one.
            read = [one.get("read", one)["values"] for one in lines if one["must"] == "reading"]
            assert counts["readings"] == sum(values["source"] == 17 for values in read)
        reasons = {row.split()[1]: int(row.split()[0]) for row in out.splitlines()[1:] if " first in " in row}
        assert sum(reasons.values()) == counts["refused"]


def test_several_files_are_named_and_counted_together(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    log(folder, SOUND, DAMAGED, name="a.log")
    log(folder, "", DAMAGED, SOUND, name="b.log")
    _, out, _ = run(capsys, "orchard.toml", "a.log", "b.log")
    rows = out.splitlines()
    assert rows.index("a.log") < rows.index("b.log")
    assert [row.split()[0] for row in rows if re.match(r" +\d+  -", row)] == ["1", "2", "2", "3"]
    assert rows[-2] == "5 lines = 2 readings + 2 refused + 1 without a frame"
    assert rows[-1] == "  2  integrity  first in a.log:2  ullage explain orchard.toml a.log:2"


def test_an_empty_file_is_called_empty(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    log(folder, name="a.log")
    assert run(capsys, "orchard.toml", "a.log") == (
        0,
        "0 lines = 0 readings + 0 refused + 0 without a frame\n",
        "a.log is empty\n",
    )


def test_octets_in_front_of_every_frame_are_found_and_named(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """Field report, common practice: a driver puts four octets (to, from, id, flags) in front of each packet."""
    log(folder, *(f"ff ff 00 00 {SOUND}" for _ in range(30)), f"ff ff 00 00 {DAMAGED}")
    _, out, _ = run(capsys, "orchard.toml", "a.log")
    rows = out.splitlines()
    assert sum("refused  integrity" in row for row in rows) == 20
    assert "        and 11 more refused" in rows
    assert rows[-4:] == [
        "None of 31 frames is one of orchard's.",
        "  30 of them begin ff ff 00 00; without these 4 octets they are level_report.",
        "  A radio driver puts them in front.",
        "  Decode with: ullage decode orchard.toml a.log --skip 4",
    ]
    command = rows[-1].partition("ullage ")[2].split()
    assert main(command) == 0
    assert "31 lines = 30 readings + 1 refused + 0 without a frame" in capsys.readouterr().out


def test_when_nothing_fits_and_nothing_is_in_front_the_likeliest_cause_is_said(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    log(folder, *(f"77 88 {number:02x} 44 55 66 77 88 99 aa bb cc" for number in range(5)))
    _, out, _ = run(capsys, "orchard.toml", "a.log", "--quiet")
    assert out == (
        "5 lines = 0 readings + 5 refused + 0 without a frame\n"
        "  5  integrity  first in line 1  ullage explain orchard.toml a.log:1\n"
        "\n"
        "None of 5 frames is one of orchard's.\n"
        "  5 of them have 12 octets; the frames of orchard have 9, 10 or 20.\n"
        "  All of them begin 77 88.\n"
        "  Mostly integrity. The frame was damaged on its way, comes from a neighbour, or the other end uses\n"
        "  another CRC or octet order.\n"
    )


def test_rows_come_back_once_a_frame_was_accepted(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    log(folder, *[DAMAGED] * 25, SOUND, *[DAMAGED] * 25)
    _, out, _ = run(capsys, "orchard.toml", "a.log")
    assert out.count("refused  integrity") == 20 + 25
    assert "and 5 more refused" in out
    assert "None of" not in out


def test_a_log_for_other_stations_is_not_called_wrong(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    _, out, _ = run(capsys, "orchard.toml", log(folder, *[SOUND] * 4), "--at", "99", "--quiet")
    assert out == (
        "4 lines = 0 readings + 4 refused + 0 without a frame\n"
        "  4  not_addressed  first in line 1  nothing is wrong: sound frames for other stations\n"
    )


def test_a_log_without_any_octets_is_told_how_else_it_could_be_read(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    _, out, _ = run(capsys, "orchard.toml", log(folder, "33 1 17 0 9 3 216 121 51 215", "ready"))
    assert "--as decimal" in out
    _, out, _ = run(capsys, "orchard.toml", "a.log", "--as", "decimal")
    assert "2 lines = 1 reading + 0 refused + 1 without a frame" in out


def test_base64_is_read_when_asked_for(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    _, out, _ = run(capsys, "orchard.toml", log(folder, "06:24:11 IQERAAkD2Hkz1w=="), "--as", "base64")
    assert "distance 1234 mm" in out


def test_no_row_is_wider_than_a_hundred_columns(capsys: pytest.CaptureFixture[str]) -> None:
    main(["simulate", "orchard.toml", "--frames", "600", "-o", "a.log"])
    capsys.readouterr()
    _, out, _ = run(capsys, "orchard.toml", "a.log")
    assert max(map(len, out.splitlines())) <= 100


def test_long_texts_and_octets_go_on_below(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    spec = """
        [protocol]
        name = "wide"
        [[frame]]
        name = "blob"
        field = [{ name = "note", kind = "text", octets = 100 }, { name = "raw", kind = "octets", octets = 100 }]
    """
    (folder / "long.toml").write_text(spec, encoding="utf-8")
    octets = ullage.loads(spec).encode("blob", {"note": "a b " * 25, "raw": bytes(range(100))})
    _, out, _ = run(capsys, "long.toml", log(folder, octets.hex()))
    rows = out.splitlines()
    assert max(map(len, rows)) <= 100
    shown = " ".join(out.split())
    assert f'note "{" ".join(["a b"] * 25)} "' in shown
    assert f"raw {bytes(range(100)).hex(' ')}" in shown


def test_a_protocol_without_stations_and_numbers_has_no_such_columns(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    spec = '[protocol]\nname = "p"\n[[frame]]\nname = "f"\nfield = [{ name = "n", kind = "count", bits = 16 }]\n'
    (folder / "p.toml").write_text(spec, encoding="utf-8")
    _, out, _ = run(capsys, "p.toml", log(folder, "06:00:00 01 02"))
    assert out.splitlines()[:2] == ["  line  time      frame    reading", "     1  06:00:00  f        n 258"]


def test_help_ends_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "--help")
    assert code == 0
    assert "Example:\n    ullage decode spec/orchard.toml receiver.log\n" in out
