"""`ullage check` of a sealed protocol: what is encrypted, where the tag stands, and no example that needs a key."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

import ullage
from support.command import runner
from support.sealed_specs import orchard
from ullage.words.samples import sample

ORCHARD = ullage.loads(orchard())

run = runner("check")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "sealed.toml").write_text(orchard(), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_screen_of_a_sealed_protocol(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "sealed.toml")
    assert (code, err) == (0, "")
    head, report, status, *_ = out.split("\n\n")
    assert head.split("\n")[2] == (
        "sealed with AES-128 in CCM · tags of 64 bits · counter of 32 bits, of which 16 travel · hub 1"
    )
    assert status.startswith("lid  8 octets · not sealed\n")
    assert (
        report
        == f"""\
report  18 octets · sealed
  octet  bits  field            reading                           codes
  0         8  message          1
  1         8  destination      station 0..254                    255 everybody
  2         8  source           station 0..255
  3        16  sequence         low 16 of 32 bits of the counter
  5            (encrypted)      octets 5..7, up to the tag
            3  sensor           0..7
           13  distance         250..6000 mm by 1 mm              8191 no_echo; 2440 unused
  7         8  battery          2.00..4.50 V by 0.01 V            5 unused; clamped
  8        64  tag              over octets 0..7                  AES-CCM, opens with the key of the
                                                                  station
  16       16  CRC-16/IBM-3740  over octets 0..15                 high octet first
  example  {ORCHARD.codec.body("report", sample(ORCHARD.frames["report"])).hex(" ")} before it is sealed"""
    )


def test_no_package_for_sealing_is_needed(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "cryptography", None)
    assert run(capsys, "sealed.toml")[0] == 0


def test_the_document_for_programs_has_the_seal(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "sealed.toml", "--json")
    (found,) = json.loads(out)
    assert found["seal"]["tag_octets"] == 8
    assert [frame["sealing"] for frame in found["frames"]] == [
        {"first_octet": 5, "tag_octets": 8},
        None,
        {"first_octet": 5, "tag_octets": 8},
    ]


def test_an_unsealed_protocol_says_nothing_of_seals(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    text = orchard().split("[seal]")[0].replace(", counter_bits = 32", "")
    (folder / "open.toml").write_text(text, encoding="utf-8")
    _, out, _ = run(capsys, "open.toml")
    assert "seal" not in out
    _, out, _ = run(capsys, "open.toml", "--json")
    assert json.loads(out)[0]["seal"] is None
