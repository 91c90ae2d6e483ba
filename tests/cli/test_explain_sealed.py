"""`ullage explain` of sealed frames: without keys the clear part, with a key file the values, and never a key."""

from __future__ import annotations

from pathlib import Path

import pytest

import ullage
from support.command import runner
from support.sealed_frames import keys_for, sealed_frame
from support.sealed_specs import orchard
from ullage.words.samples import sample

ORCHARD = ullage.loads(orchard())
REPORT = sealed_frame(ORCHARD, ORCHARD.frames["report"])

run = runner("explain")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "sealed.toml").write_text(orchard(), encoding="utf-8")
    key_file(tmp_path / "keys.toml", 17, 17)
    key_file(tmp_path / "other.toml", 17, 18)
    monkeypatch.chdir(tmp_path)
    for name in ("ULLAGE_KEYS", "ULLAGE_KEY_17"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


def key_file(path: Path, station: int, whose: int) -> None:
    """A key file that gives one station the key of another, or its own."""
    path.write_text(f'[keys]\n{station} = "{keys_for(ORCHARD)[whose].octets.hex()}"\n', encoding="utf-8")
    path.chmod(0o600)


def test_the_screen_of_a_sealed_frame_without_a_key(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "sealed.toml", REPORT.hex(" "))
    encrypted, tag, check = (REPORT[a:b].hex(" ") for a, b in ((5, 8), (8, 16), (16, 18)))
    assert (code, err) == (0, "")
    assert (
        out
        == f"""\
refused: no_key. report is sealed, and no key is given.
  reason 8  no key for this station
  advice    Hand in the key of the station that sealed this frame. Here: --keys FILE.

octet  hex                      bits               field        raw  reading
0      01                       00000001           message        1  report
1      01                       00000001           destination    1
2      11                       00010001           source        17
3      00 09                    00000000 00001001  sequence       9
5      {encrypted}                                    (encrypted)       sensor, distance, battery
8      {tag}                     tag               not checked: no key
16     {check}                                       CRC               fits
"""
    )


def test_the_screen_of_a_sealed_frame_that_was_opened(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "sealed.toml", REPORT.hex(" "), "--keys", "keys.toml")
    assert (code, err) == (0, "")
    assert " ".join(out.split("\n\n")[0].split()) == (
        "fine: report from station 17 to station 1, 18 octets; sealed with the key of station 17, number 9"
    )
    assert "opened:" in out
    assert " distance 2875 3125 mm " in " ".join(out.split())
    assert "fits: number 9, key of station 17" in " ".join(out.split())
    assert keys_for(ORCHARD)[17].octets.hex() not in out


def test_another_key_is_a_wrong_tag_without_a_field(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "sealed.toml", REPORT.hex(" "), "--keys", "other.toml")
    assert code == 0
    assert out.startswith("refused: wrong_tag. The tag does not fit: forged, damaged, or another key.\n  reason 9")
    assert "  field  " not in out.split("\n\n")[0]
    assert "does not fit\n" in out


def test_a_frame_that_is_not_sealed_is_marked_as_such(capsys: pytest.CaptureFixture[str]) -> None:
    octets = ORCHARD.encode("lid", sample(ORCHARD.frames["lid"])).hex(" ")
    for more in ((), ("--keys", "keys.toml")):
        _, out, _ = run(capsys, "sealed.toml", octets, *more)
        assert "not sealed: anyone with such a radio can send it" in " ".join(out.split())


def test_a_frame_of_a_log_is_found_and_opened(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "log").write_text(f"06:24:11 RX {REPORT.hex(' ')} RSSI: -97\n", encoding="utf-8")
    _, out, _ = run(capsys, "sealed.toml", "log:1", "--keys", "keys.toml")
    assert out.startswith("fine: report")
    _, out, _ = run(capsys, "sealed.toml", "log:1")
    assert out.startswith("refused: no_key")


def test_a_number_that_is_far_on_is_found_from_the_counter_that_is_given(capsys: pytest.CaptureFixture[str]) -> None:
    octets = sealed_frame(ORCHARD, ORCHARD.frames["report"], 40 << 16).hex()
    _, out, _ = run(capsys, "sealed.toml", octets, "--keys", "keys.toml")
    assert out.startswith("refused: wrong_tag")
    _, out, _ = run(capsys, "sealed.toml", octets, "--keys", "keys.toml", "--from-counter", str(30 << 16))
    assert out.startswith("fine: report")


def test_keys_for_a_protocol_without_sealed_frames_are_a_wrong_request(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    (folder / "open.toml").write_text(orchard().split("[seal]")[0].replace(", counter_bits = 32", ""), encoding="utf-8")
    code, _, err = run(capsys, "open.toml", "01", "--keys", "keys.toml")
    assert code == 2
    assert "has no sealed frames" in err


def test_a_missing_package_is_said_in_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "cryptography.hazmat.primitives.ciphers.aead", None)
    code, _, err = run(capsys, "sealed.toml", REPORT.hex(), "--keys", "keys.toml")
    assert code == 2
    assert err == "sealed frames need the package cryptography; pip install 'ullage[seal]' gets it\n"
