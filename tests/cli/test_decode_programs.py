"""`ullage decode` for programs: JSON lines and CSV in fixed shapes, with the summary out of the way."""

import csv
import io
import json
import shutil
from binascii import crc_hqx
from pathlib import Path
from typing import Any

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


def log(folder: Path, *lines: str, name: str = "a.log") -> str:
    (folder / name).write_text("".join(line + "\n" for line in lines), encoding="utf-8")
    return name


def objects(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def sealed(octets: str) -> str:
    """Octets with CRC-16/IBM-3740, which the standard library has under another name."""
    plain = bytes.fromhex(octets)
    return (plain + crc_hqx(plain, 0xFFFF).to_bytes(2, "big")).hex(" ")


def level(**given: Any) -> str:
    values = {"destination": 1, "source": 17, "sequence": 9, "sensor": 0, "distance": 1234, "battery": 3.21} | given
    return ullage.load(SPEC).encode("level_report", values).hex(" ")


READING = {
    "file": "a.log",
    "line": 1,
    "time": "2026-11-25T06:24:11",
    "protocol": "orchard",
    "revision": 1,
    "frame": "level_report",
    "values": {"destination": 1, "source": 17, "sequence": 9, "sensor": 0, "distance": 1234, "battery": 3.21},
    "sealed": False,
    "link": {"rssi_dbm": -97, "snr_db": 7.5},
    "octets": "2101110009" + "03d87933d7",
}


def test_a_reading_is_one_object_with_everything_the_line_had(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    name = log(folder, f"2026-11-25 06:24:11 {SOUND} RSSI=-97 SNR=7.5")
    code, out, err = run(capsys, "orchard.toml", name, "--json")
    (found,) = objects(out)
    assert (code, found, list(found)) == (0, READING, list(READING))
    assert err == "1 line = 1 reading + 0 refused + 0 without a frame\n"


def test_time_and_link_are_only_there_where_the_line_had_them(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    _, out, _ = run(capsys, "orchard.toml", log(folder, SOUND, f"{SOUND} RSSI=-97"), "--json")
    bare, half = objects(out)
    assert bare == {key: value for key, value in READING.items() if key not in ("time", "link")}
    assert half["link"] == {"rssi_dbm": -97}


def test_what_was_refused_has_its_reason_by_name_and_number(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    not_a_value = sealed("21 01 11 00 09 1f fd 79")  # distance raw 8189 stands for nothing
    _, out, _ = run(capsys, "orchard.toml", log(folder, f"06:24:11 {DAMAGED} RSSI=-97", not_a_value), "--json")
    where = {"file": "a.log", "protocol": "orchard", "revision": 1}
    assert objects(out) == [
        {
            **where,
            "line": 1,
            "time": "06:24:11",
            "refused": "integrity",
            "reason": 3,
            "field": None,
            "link": {"rssi_dbm": -97},
            "octets": DAMAGED.replace(" ", ""),
        },
        {
            **where,
            "line": 2,
            "refused": "not_a_value",
            "reason": 13,
            "field": "distance",
            "octets": not_a_value.replace(" ", ""),
        },
    ]


def test_special_codes_flags_texts_and_octets_each_have_their_form(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    spec = """
        [protocol]
        name = "forms"
        [[frame]]
        name = "all"
        field = [
          { name = "level", kind = "measure", unit = "mm", range = [0, 100], step = 0.5, special = ["no_echo"] },
          { name = "wet", kind = "flag" },
          { name = "note", kind = "text", octets = 3 },
          { name = "raw", kind = "octets", octets = 2 },
          { name = "valve", kind = "code", codes = { shut = 0, open = 1 } },
        ]
    """
    (folder / "forms.toml").write_text(spec, encoding="utf-8")
    protocol = ullage.loads(spec)
    values = {"level": "no_echo", "wet": True, "note": 'a"', "raw": b"\x00\xff", "valve": "open"}
    log(folder, *(protocol.encode("all", values | {"level": level}).hex() for level in ("no_echo", 2.5)))
    _, out, _ = run(capsys, "forms.toml", "a.log", "--json")
    first, second = (one["values"] for one in objects(out))
    assert first == {"level": {"special": "no_echo"}, "wet": True, "note": 'a"', "raw": "00ff", "valve": "open"}
    assert second["level"] == 2.5
    _, out, _ = run(capsys, "forms.toml", "a.log", "--csv", "--frame", "all")
    assert out == (
        "file,line,time,level_mm,level_special,wet,note,raw,valve,rssi_dbm,snr_db\r\n"
        'a.log,1,,,no_echo,true,"a""",00ff,open,,\r\n'
        'a.log,2,,2.5,,true,"a""",00ff,open,,\r\n'
    )


def test_all_adds_the_lines_without_a_frame(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    _, out, _ = run(capsys, "orchard.toml", log(folder, "ready", SOUND, ""), "--json", "--all")
    found = objects(out)
    assert found[0] == {"file": "a.log", "line": 1, "none": True}
    assert found[2] == {"file": "a.log", "line": 3, "none": True}
    assert [one["line"] for one in found] == [1, 2, 3]


def test_each_line_of_a_simulated_log_is_what_its_truth_says(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    """The count of readings, refusals and lines without a frame, and every value, line by line."""
    assert main(["simulate", "orchard.toml", "--frames", "1000", "-o", "a.log", "--truth", "a.jsonl"]) == 0
    capsys.readouterr()
    truth = [one for one in objects((folder / "a.jsonl").read_text(encoding="utf-8")) if "line" in one]
    _, out, _ = run(capsys, "orchard.toml", "a.log", "--json", "--all")
    found = objects(out)
    assert [one["line"] for one in found] == [one["line"] for one in truth]
    for one, true in zip(found, truth, strict=True):
        must = "none" if "none" in one else "refused" if "refused" in one else "reading"
        assert must == true["must"], true
        assert one.get("refused") == true.get("reason")
        if must != "none":
            assert one["octets"] == true["octets"]
            assert one.get("link") == true.get("link")
        if must == "reading":
            assert {"frame": one["frame"], "values": one["values"]} == true.get(
                "read", {"frame": true.get("frame"), "values": true.get("values")}
            )


def test_filters_leave_the_refused_in(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    log(folder, SOUND, level(source=18), DAMAGED)
    _, out, _ = run(capsys, "orchard.toml", "a.log", "--json", "--from", "18")
    assert [one["line"] for one in objects(out)] == [2, 3]


def test_at_refuses_what_is_for_others_but_not_a_broadcast(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    log(folder, SOUND, level(destination=255), level(destination=2))
    _, out, _ = run(capsys, "orchard.toml", "a.log", "--json", "--at", "1")
    assert [one.get("refused") for one in objects(out)] == [None, None, "not_addressed"]


def test_csv_has_units_in_its_heading_and_special_codes_in_a_column_of_their_own(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    log(folder, f"06:24:11 {SOUND} RSSI=-97 SNR=7.5", DAMAGED, level(distance="no_echo"))
    code, out, err = run(capsys, "orchard.toml", "a.log", "--csv", "--frame", "level_report")
    assert (code, out) == (
        0,
        "file,line,time,destination,source,sequence,sensor,distance_mm,distance_special,battery_V,rssi_dbm,snr_db\r\n"
        "a.log,1,06:24:11,1,17,9,0,1234,,3.21,-97,7.5\r\n"
        "a.log,3,,1,17,9,0,,no_echo,3.21,,\r\n",
    )
    assert err.startswith("3 lines = 2 readings + 1 refused + 0 without a frame\n")


def test_csv_into_a_folder_writes_a_file_a_frame_and_the_refused(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    log(folder, f"06:24:11 {SOUND}", f"06:24:12 {DAMAGED} RSSI=-97")
    code, out, _ = run(capsys, "orchard.toml", "a.log", "--csv", "-o", "tables")
    assert (code, out) == (0, "")
    names = {path.name for path in (folder / "tables").iterdir()}
    assert names == {
        "level_report.csv",
        "status_report.csv",
        "valve_order.csv",
        "acknowledgement.csv",
        "refused.csv",
    }
    assert (folder / "tables" / "refused.csv").read_bytes().decode() == (
        "file,line,time,refused,reason,field,octets,rssi_dbm,snr_db\r\n"
        f"a.log,2,06:24:12,integrity,3,,{DAMAGED.replace(' ', '')},-97,\r\n"
    )
    assert len((folder / "tables" / "level_report.csv").read_text(encoding="utf-8").splitlines()) == 2
    assert len((folder / "tables" / "valve_order.csv").read_text(encoding="utf-8").splitlines()) == 1


def test_csv_into_a_folder_has_every_reading_of_a_simulated_log(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    main(["simulate", "orchard.toml", "--frames", "500", "-o", "a.log"])
    capsys.readouterr()
    _, out, _ = run(capsys, "orchard.toml", "a.log", "--json")
    run(capsys, "orchard.toml", "a.log", "--csv", "-o", "tables")
    for name in ("level_report", "status_report", "valve_order", "acknowledgement"):
        with (folder / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as table:
            lines = [int(row["line"]) for row in csv.DictReader(table)]
        assert lines == [one["line"] for one in objects(out) if one.get("frame") == name]


def test_a_folder_that_breaks_half_way_is_left_as_it_was(
    capsys: pytest.CaptureFixture[str], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ullage_cli.decoding import csv as tables

    def broken(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tables.CsvTable, "write", broken)
    code, _, err = run(capsys, "orchard.toml", log(folder, SOUND), "--csv", "-o", "tables")
    assert code == 2
    assert "no space left" in err.lower()
    assert list((folder / "tables").iterdir()) == []


def test_column_names_are_plain_letters_and_never_twice_the_same(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    spec = """
        [protocol]
        name = "units"
        [[frame]]
        name = "refused"
        field = [
          { name = "line", kind = "count", bits = 8 },
          { name = "warmth", kind = "measure", unit = "°C", range = [0, 255], step = 1 },
          { name = "flow", kind = "measure", unit = "m³/h", range = [0, 255], step = 1 },
          { name = "moisture", kind = "measure", unit = "%", range = [0, 100], step = 1, special = ["dry"] },
          { name = "grain", kind = "measure", unit = "µm", range = [0, 255], step = 1 },
          { name = "ratio", kind = "measure", unit = "", range = [0, 255], step = 1 },
          { name = "now", kind = "time", bits = 32, epoch = "unix" },
        ]
        [integrity]
        crc = "CRC-16/IBM-3740"
    """
    (folder / "units.toml").write_text(spec, encoding="utf-8")
    assert run(capsys, "units.toml", log(folder, "ready"), "--csv", "-o", "tables")[0] == 0
    # The file of what was refused steps aside for a frame of that name.
    assert {path.name for path in (folder / "tables").iterdir()} == {"refused.csv", "refused-lines.csv"}
    heading = next(csv.reader(io.StringIO((folder / "tables" / "refused.csv").read_text(encoding="utf-8"))))
    assert heading[3:-2] == [
        "line_field",
        "warmth_degC",
        "flow_m3_per_h",
        "moisture_percent",
        "moisture_special",
        "grain_um",
        "ratio",
        "now_s",
    ]
    assert len(set(heading)) == len(heading)
