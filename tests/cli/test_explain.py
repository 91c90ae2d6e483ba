"""`ullage explain` shows any octets, from the command line or a log, and says what the decoder said."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import ullage
from support.command import runner

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"

SOUND = "21 01 11 00 09 03 d8 79 33 d7"
DAMAGED = "21 01 11 00 09 01 d8 79 33 d7"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(SPEC, tmp_path / "orchard.toml")
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("explain")


def sealed(octets: str) -> str:
    """Octets of orchard with the CRC that fits."""
    integrity = ullage.load(SPEC).integrity
    assert integrity is not None
    plain = bytes.fromhex(octets)
    return (plain + integrity.check.compute(plain).to_bytes(2, "big")).hex(" ")


def test_the_screen_of_a_sound_frame(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "orchard.toml", SOUND) == (
        0,
        """\
fine: level_report from station 17 to station 1, 10 octets

octet  hex    bits               field        raw  reading
0      21     001.....           revision       1
              ...00001           message        1  level_report
1      01     00000001           destination    1
2      11     00010001           source        17
3      00 09  00000000 00001001  sequence       9
5      03 d8  000..... ........  sensor         0
              ...00011 11011000  distance     984  1234 mm
7      79     01111001           battery      121  3.21 V
8      33 d7                     CRC               fits
""",
        "",
    )


def test_the_screen_of_a_damaged_frame(capsys: pytest.CaptureFixture[str]) -> None:
    """It did its work, so the exit code is 0; the fields are shown all the same."""
    assert run(capsys, "orchard.toml", DAMAGED) == (
        0,
        """\
refused: integrity. The CRC sent is 33d7; the 8 octets before it give 5db7.
  reason 3  the CRC or sum does not fit the octets before it
  advice    The frame was damaged on its way, comes from a neighbour, or the other end uses another
            CRC or octet order.

octet  hex    bits               field        raw  reading
0      21     001.....           revision       1
              ...00001           message        1  level_report
1      01     00000001           destination    1
2      11     00010001           source        17
3      00 09  00000000 00001001  sequence       9
5      01 d8  000..... ........  sensor         0
              ...00001 11011000  distance     472  722 mm
7      79     01111001           battery      121  3.21 V
8      33 d7                     CRC               5db7 would fit
""",
        "",
    )


def test_a_value_that_stands_for_nothing_is_refused_with_field_and_place(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "orchard.toml", sealed("21 01 11 00 09 1f d0 79"))
    first, *rest = out.splitlines()
    assert first.startswith("refused: not_a_value. distance: code 8144 stands for nothing; 250..6000 mm by 1 mm, ")
    assert any("distance, from octet 5, bit 3 of it (bit 43 of the frame, counted from 0)" in line for line in rest)
    assert any(line.endswith("8144  stands for nothing") for line in rest)


@pytest.mark.parametrize(
    ("octets", "first", "note"),
    [
        ("21 01", "refused: too_short. 2 octets; header and CRC take 7.", "cut after 2 of its 10 octets."),
        ("21 01 11 00 09 03 d8 79 33", "refused: integrity. The CRC sent is 7933; ", "cut after 9 of its 10 octets."),
        ("21" * 256, "refused: too_long. 256 octets; 255 is the most.", "which has 10 octets; here are 256."),
        (sealed("21 01 11 00 09 03 d8 79 00"), "refused: wrong_length. 11 octets; level_report has 10.", ""),
        (sealed("41 01 11 00 09 03 d8 79"), "refused: other_revision. A sound frame of revision 2; ", ""),
        (sealed("3e 01 11 00 09 03 d8 79"), "refused: unknown_message. message code 30 is none of this spec's", ""),
    ],
)
def test_each_refusal_names_reason_and_numbers_and_shows_what_can_be_read(
    capsys: pytest.CaptureFixture[str], octets: str, first: str, note: str
) -> None:
    code, out, err = run(capsys, "orchard.toml", octets)
    assert (code, err) == (0, "")
    assert out.startswith(first)
    assert note in out
    assert "revision" in out
    assert max(map(len, out.splitlines())) <= 100


def test_a_station_that_is_not_meant_refuses(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "orchard.toml", SOUND, "--at", "5")
    assert out.startswith("refused: not_addressed. For station 1, received at 5.\n")
    assert "1234 mm" in out
    assert run(capsys, "orchard.toml", SOUND, "--at", "1")[1].startswith("fine: ")


def test_everybody_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "orchard.toml", sealed("21 ff 11 00 09 03 d8 79"))
    assert out.startswith("fine: level_report from station 17 to everybody, 10 octets\n")


@pytest.mark.parametrize(
    "words",
    [
        [SOUND.replace(" ", "")],
        [SOUND.replace(" ", ":")],
        ["0x" + SOUND.replace(" ", ", 0x")],
        ["{0x" + SOUND.replace(" ", ", 0x") + "}"],
        [SOUND.replace("01", "1").replace("09", "9")],
        SOUND.split(),
        [SOUND.upper()],
    ],
)
def test_hex_is_taken_however_it_is_printed(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    assert run(capsys, "orchard.toml", *words) == run(capsys, "orchard.toml", SOUND)


LOG = f"""\
2025-11-25 06:24:11 rssi=-97 frame {SOUND}
deadline missed

06:34:11 RX [{DAMAGED}] RSSI: -97
RX ff ff 00 00 {SOUND}
"""


@pytest.mark.parametrize("name", ["receiver.log", "my log.txt", "C:\\logs\\receiver.log"])
def test_a_line_of_a_log_is_read_as_decode_reads_it(
    capsys: pytest.CaptureFixture[str], folder: Path, name: str
) -> None:
    """The last colon parts file and line, so that a drive letter stays with the file."""
    (folder / name).write_text(LOG, encoding="utf-8")
    assert run(capsys, "orchard.toml", f"{name}:1") == run(capsys, "orchard.toml", SOUND)
    assert run(capsys, "orchard.toml", f"{name}:4") == run(capsys, "orchard.toml", DAMAGED)
    assert run(capsys, "orchard.toml", f"{name}:5", "--skip", "4") == run(capsys, "orchard.toml", SOUND)


def test_a_log_with_another_notation_is_read_with_the_options_of_decode(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    decimal = ", ".join(str(octet) for octet in bytes.fromhex(SOUND))
    (folder / "d.log").write_text(f"1024, 12 data: {decimal}\n")
    arguments = ["d.log:1", "--as", "decimal", "--after", "data:"]
    assert run(capsys, "orchard.toml", *arguments) == run(capsys, "orchard.toml", SOUND)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_a_log_of_another_encoding_is_read(capsys: pytest.CaptureFixture[str], folder: Path, encoding: str) -> None:
    (folder / "w.log").write_text(LOG.replace("\n", "\r\n"), encoding=encoding, newline="")
    assert run(capsys, "orchard.toml", "w.log:4") == run(capsys, "orchard.toml", DAMAGED)


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["receiver.log:2"], "receiver.log:2: there is no frame in this line\n  deadline missed\n"),
        (["receiver.log:99"], "receiver.log: there is no line 99; the last one is 5\n"),
        (["receiver.log"], "receiver.log: which line?\n  help: receiver.log:1, for example\n"),
        (["nowhere.log:4"], "nowhere.log: there is no such file\n"),
        (["zz"], "'zz' is no hex\n  help: octets in hex, like 21 01 11, or FILE:LINE\n"),
        (["211"], "'211' has an odd number of hex digits: one is missing or too many\n"),
        ([], "no octets are given\n  help: ullage explain orchard.toml \"21 01 ...\", or FILE:LINE\n"),
        ([SOUND, "--at", "500"], "--at: 500 is no station; 0..255 are\n"),
        (["receiver.log:1", "--at", "500"], "--at: 500 is no station; 0..255 are\n"),
        (["receiver.log:1", "--after", ""], "--after: the text that frames come after is empty\n"),
    ],
)  # fmt: skip
def test_a_wrong_request_is_2_with_one_clear_sentence(
    capsys: pytest.CaptureFixture[str], folder: Path, words: list[str], complaint: str
) -> None:
    (folder / "receiver.log").write_text(LOG)
    code, out, err = run(capsys, "orchard.toml", *words)
    assert (code, out) == (2, "")
    assert err.startswith(complaint)


@pytest.mark.parametrize("word", ["3", "integrity", "INTEGRITY", "ORCHARD_REFUSED_INTEGRITY"])
def test_a_reason_is_told_by_number_by_name_and_by_its_name_in_c(capsys: pytest.CaptureFixture[str], word: str) -> None:
    status = ullage.Status.INTEGRITY
    for spec in ([], ["orchard.toml"]):
        code, out, err = run(capsys, *spec, "--reason", word)
        assert (code, err) == (0, "")
        first, *rest = out.splitlines()
        assert first == f"3 integrity: {status.meaning}"
        assert " ".join(rest) == status.advice


def test_every_reason_and_status_can_be_told(capsys: pytest.CaptureFixture[str]) -> None:
    for status in ullage.Status:
        _, by_number, _ = run(capsys, "--reason", str(int(status)))
        _, by_name, _ = run(capsys, "--reason", str(status))
        assert by_number == by_name
        assert by_number.startswith(f"{int(status)} {status}: ")


def test_an_unknown_reason_is_answered_with_the_list(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "orchard.toml", "--reason", "99")
    assert (code, out) == (2, "")
    first, *rest = err.splitlines()
    assert first == "there is no reason '99'; these are all:"
    assert [line.split()[:2] for line in rest] == [[str(int(status)), str(status)] for status in ullage.Status]


def test_a_reason_and_octets_give_both(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "orchard.toml", SOUND, "--reason", "3")
    assert out.startswith("3 integrity: ")
    assert out.endswith(run(capsys, "orchard.toml", SOUND)[1])


def test_nothing_at_all_is_answered_with_what_is_needed(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys)
    assert (code, out) == (2, "")
    assert err == "explain what?\n  help: ullage explain SPEC, and the octets in hex or FILE:LINE\n"


def test_long_text_is_folded_and_loses_nothing(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "long.toml").write_text(
        '[protocol]\nname = "lengthy"\n[[frame]]\nname = "only"\nfield = [{name="label", kind="text", octets=120}]\n'
    )
    text = "x".join(str(number) for number in range(60))[:120]
    octets = ullage.load("long.toml").encode("only", {"label": text})
    _, out, _ = run(capsys, "long.toml", octets.hex())
    assert max(map(len, out.splitlines())) <= 100
    start = out.splitlines()[2].index("reading")
    assert "".join(line[start:] for line in out.splitlines()[3:]) == f'"{text}"'


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_every_console_can_print_it(folder: Path, encoding: str) -> None:
    (folder / "micro.toml").write_text(
        '[protocol]\nname = "micro"\n[[frame]]\nname = "only"\n'
        'field = [{name="a", kind="measure", unit="µm", range=[0, 9], step=1}]\n',
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, "-c", "from ullage_cli.main import run; run()", "explain", "micro.toml", "50"],
        capture_output=True,
        check=False,
        cwd=folder,
        env={**os.environ, "PYTHONIOENCODING": encoding},
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert ("5 um" if encoding == "ascii" else "5 µm") in done.stdout.decode(encoding)


def test_the_help_ends_with_examples(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--help")
    assert f'Example:\n    ullage explain spec/orchard.toml "{DAMAGED}"\n' in out
