"""`ullage encode` takes values as people type them, exactly, and refuses what would not be sent as meant."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import ullage
from support.command import runner

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"

LEVEL = {"destination": "1", "source": "17", "sequence": "9", "sensor": "0", "distance": "1234", "battery": "3.71"}

OTHERS = """
[protocol]
name = "others"
[[frame]]
name = "only"
field = [
  { name = "taken", kind = "time", bits = 42, step = 0.001, epoch = "unix" },
  { name = "wide",  kind = "measure", unit = "µm", range = [-5, 5], step = 0.1 },
  { name = "wet",   kind = "flag" },
  { name = "key_id", kind = "octets", octets = 3 },
  { name = "label", kind = "text", octets = 8 },
  { name = "many",  kind = "count", bits = 60 },
]
"""

OTHER_VALUES = {
    "taken": "0",
    "wide": "0",
    "wet": "no",
    "key_id": "000000",
    "label": "",
    "many": "0",
}


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(SPEC, tmp_path / "orchard.toml")
    (tmp_path / "others.toml").write_text(OTHERS, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("encode")


def level(capsys: pytest.CaptureFixture[str], *more: str, **changed: str) -> tuple[int, str, str]:
    values = [f"{name}={text}" for name, text in {**LEVEL, **changed}.items()]
    return run(capsys, "orchard.toml", "level_report", *values, *more)


def decoded(capsys: pytest.CaptureFixture[str], **changed: str) -> dict[str, object]:
    """What comes out again when these values are encoded in the frame of every other kind."""
    values = [f"{name}={text}" for name, text in {**OTHER_VALUES, **changed}.items()]
    code, out, err = run(capsys, "others.toml", "only", *values)
    assert (code, err) == (0, "")
    return ullage.load("others.toml").decode(bytes.fromhex(out)).values


def test_the_octets_are_those_of_the_library(capsys: pytest.CaptureFixture[str]) -> None:
    values = {name: text if "." in text else int(text) for name, text in LEVEL.items()}
    octets = ullage.load("orchard.toml").encode("level_report", values)
    assert level(capsys) == (0, octets.hex(" ") + "\n", "")


def test_c_gets_braces(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = level(capsys)
    expected = "{" + ", ".join(f"0x{pair}" for pair in out.split()) + "}\n"
    assert level(capsys, "--c") == (0, expected, "")
    assert expected.startswith("{0x21, 0x01, 0x11, 0x00, 0x09, 0x03, 0xd8, ")


@pytest.mark.parametrize("text", ["1234", "1234mm", "1234 mm", " 1234", "1234.0", "1.234e3", "+1234", "2468/2"])
def test_a_number_may_be_written_in_any_way_and_with_its_unit(capsys: pytest.CaptureFixture[str], text: str) -> None:
    assert level(capsys, distance=text) == level(capsys)


def test_numbers_are_taken_exactly_as_typed(capsys: pytest.CaptureFixture[str]) -> None:
    """A half goes to the even step, in decimals: no binary float stands between (3.715 V is a tie, 3.725 V too)."""
    assert level(capsys, battery="3.715")[1] == level(capsys, battery="3.72")[1]
    assert level(capsys, battery="3.725")[1] == level(capsys, battery="3.72")[1]
    assert decoded(capsys, many="1152921504606846975")["many"] == 2**60 - 1


def test_conditions_and_choices_go_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    protocol = ullage.load("orchard.toml")
    _, out, _ = level(capsys, distance="no_echo")
    assert protocol.decode(bytes.fromhex(out))["distance"] == "no_echo"
    order = ["destination=17", "source=1", "sequence=2", "order=4", "valve=open", "expires=60 s"]
    _, out, _ = run(capsys, "orchard.toml", "valve_order", *order)
    assert protocol.decode(bytes.fromhex(out))["valve"] == "open"


def test_negative_numbers_are_no_options(capsys: pytest.CaptureFixture[str]) -> None:
    assert decoded(capsys, wide="-2.5")["wide"] == -2.5
    assert decoded(capsys, wide="-.5µm")["wide"] == -0.5


def test_the_greek_letter_is_the_micro_sign(capsys: pytest.CaptureFixture[str]) -> None:
    assert decoded(capsys, wide="2 \u03bcm")["wide"] == decoded(capsys, wide="2 \u00b5m")["wide"] == 2.0


@pytest.mark.parametrize("text", ["true", "yes", "1", "on", "YES", "True"])
def test_a_flag_may_be_said_in_many_ways(capsys: pytest.CaptureFixture[str], text: str) -> None:
    assert decoded(capsys, wet=text)["wet"] is True


@pytest.mark.parametrize("text", ["false", "no", "0", "off"])
def test_a_flag_may_be_denied_in_many_ways(capsys: pytest.CaptureFixture[str], text: str) -> None:
    assert decoded(capsys, wet=text)["wet"] is False


@pytest.mark.parametrize("text", ["0a0bff", "0a 0b ff", "0A:0B:FF", "0x0a,0x0b,0xff"])
def test_octets_are_hex(capsys: pytest.CaptureFixture[str], text: str) -> None:
    assert decoded(capsys, key_id=text)["key_id"] == b"\x0a\x0b\xff"


def test_text_is_taken_as_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert decoded(capsys, label="a=1, no")["label"] == "a=1, no"
    assert decoded(capsys, label="12 µm"[:3])["label"] == "12 "


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1000000000", 1_000_000_000),
        ("1000000000 s", 1_000_000_000),
        # 10^9 s after the start of 1970 are 11 574 days and 6400 s (arithmetic).
        ("2001-09-09T01:46:40Z", 1_000_000_000),
        ("2001-09-09T01:46:40.125Z", 1_000_000_000.125),
        ("2001-09-09T01:46:40+00:00", 1_000_000_000),
    ],
)
def test_unix_time_is_taken_as_seconds_or_as_utc(capsys: pytest.CaptureFixture[str], text: str, seconds: float) -> None:
    assert decoded(capsys, taken=text)["taken"] == seconds


@pytest.mark.parametrize(
    ("field", "text", "complaint"),
    [
        ("distance", "6001", "distance: 6001 does not fit\n  help: 250..6000 mm by 1 mm, "),
        ("distance", "6001mm", "distance: 6001mm does not fit\n  help: 250..6000 mm by 1 mm, "),
        ("distance", "1.2cm", "distance: '1.2cm' is in cm, but the unit is mm\n  help: for example distance=3125mm\n"),
        ("distance", "1234 MM", "distance: '1234 MM' is in MM, but the unit is mm\n"),
        ("sensor", "3 mm", "sensor: '3 mm' is in mm, but it has no unit\n  help: for example sensor=3\n"),
        ("distance", "no_eco", "distance: 'no_eco' is no number\n  help: \"no_echo\", perhaps\n"),
        ("distance", "", "distance: '' is no number\n  help: 250..6000 mm by 1 mm, "),
        ("distance", "nan", "distance: 'nan' is no number\n"),
        ("sensor", "8", "sensor: 8 does not fit\n  help: 0..7\n"),
        ("message", "3", "message is written by the encoder itself\n  help: level_report has destination, "),
        ("distanz", "3", "level_report has no field 'distanz'\n  help: level_report has destination, "),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_named_and_what_would_fit_too(
    capsys: pytest.CaptureFixture[str], field: str, text: str, complaint: str
) -> None:
    code, out, err = level(capsys, **{field: text})
    assert (code, out) == (2, "")
    assert err.startswith(complaint)


@pytest.mark.parametrize(
    ("field", "text", "complaint"),
    [
        ("wet", "maybe", "wet: 'maybe' is neither yes nor no\n  help: yes or no\n"),
        ("key_id", "0a0", "key_id: '0a0' has an odd number of hex digits: one is missing or too many\n"
                          "  help: 3 octets in hex\n"),
        ("key_id", "0a", "key_id: 0a does not fit\n  help: 3 octets\n"),
        ("label", "far too long", "label: far too long does not fit\n  help: at most 8 printable ASCII characters\n"),
        ("taken", "2001-09-09T01:46:40", "taken: '2001-09-09T01:46:40' is not in UTC\n  help: UTC, like 2025-"),
        ("taken", "2001-09-09T01:46:40+02:00", "taken: '2001-09-09T01:46:40+02:00' is not in UTC\n"),
        ("taken", "2001-02-30T01:46:40Z", "taken: '2001-02-30T01:46:40Z' is no time\n"),
        ("taken", "1969-12-31T23:59:59Z", "taken: 1969-12-31T23:59:59Z does not fit\n"),
    ],
)  # fmt: skip
def test_other_kinds_complain_likewise(
    capsys: pytest.CaptureFixture[str], field: str, text: str, complaint: str
) -> None:
    values = [f"{name}={given}" for name, given in {**OTHER_VALUES, field: text}.items()]
    code, out, err = run(capsys, "others.toml", "only", *values)
    assert (code, out) == (2, "")
    assert err.startswith(complaint)


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["distance"], "'distance' is no value\n  help: NAME=VALUE, without spaces around the =\n"),
        (["--distance"], "'--distance' is no value\n"),
        (["distance=300", "distance=300"], "distance is given twice\n  help: once\n"),
        (["distance=300"], "level_report needs destination, source, sequence, sensor and battery\n"),
    ],
)
def test_wrong_words_are_named(capsys: pytest.CaptureFixture[str], words: list[str], complaint: str) -> None:
    code, out, err = run(capsys, "orchard.toml", "level_report", *words)
    assert (code, out) == (2, "")
    assert err.startswith(complaint)


def test_an_unknown_frame_is_refused_with_the_likeliest(capsys: pytest.CaptureFixture[str]) -> None:
    expected = "orchard has no frame 'level_rapport'\n  help: level_report, perhaps\n"
    assert run(capsys, "orchard.toml", "level_rapport", "a=1") == (2, "", expected)
    _, _, err = run(capsys, "orchard.toml", "xyz", "a=1")
    assert err.endswith("help: it has level_report, status_report, valve_order, acknowledgement\n")


def test_without_values_it_says_what_the_frame_needs(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "orchard.toml", "acknowledgement")
    assert (code, out) == (2, "")
    assert err == (
        "acknowledgement needs 6 values:\n"
        "  destination  0..255\n"
        "  source       0..255\n"
        "  sequence     0..65535\n"
        "  order        0..255\n"
        "  result       done 0, refused 1, expired 2, stuck 3\n"
        "  valve        shut 0, half 1, open 2, stuck 3\n"
        "for example:\n"
        "  ullage encode orchard.toml acknowledgement destination=1 source=17 sequence=9 order=127"
        " result=done valve=shut\n"
    )


@pytest.mark.parametrize(
    ("spec", "frame"),
    [("others.toml", "only"), *(("orchard.toml", name) for name in ("level_report", "status_report", "valve_order"))],
)
def test_the_example_it_gives_works_as_it_stands(capsys: pytest.CaptureFixture[str], spec: str, frame: str) -> None:
    _, _, err = run(capsys, spec, frame)
    words = err.splitlines()[-1].split()
    assert words[:2] == ["ullage", "encode"]
    code, out, _ = run(capsys, *words[2:])
    assert code == 0
    assert ullage.load(spec).decode(bytes.fromhex(out)).frame == frame


def test_a_faulty_spec_is_a_wrong_request(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "faulty.toml").write_text("[protocol]\n")
    code, out, err = run(capsys, "faulty.toml", "only", "a=1")
    assert (code, out) == (2, "")
    assert err.startswith("faulty.toml")


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_every_console_can_print_what_a_frame_needs(folder: Path, encoding: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from ullage_cli.main import run; run()", "encode", "others.toml", "only"],
        capture_output=True,
        check=False,
        cwd=folder,
        env={**os.environ, "PYTHONIOENCODING": encoding},
    )
    assert done.returncode == 2
    assert f"-5..5 {'um' if encoding == 'ascii' else 'µm'} by 0.1" in done.stderr.decode(encoding)


def test_the_help_ends_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--help")
    assert "Example:\n    ullage encode spec/orchard.toml level_report\n" in out
