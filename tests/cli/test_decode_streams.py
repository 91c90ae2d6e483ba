"""`ullage decode` on streams: at once, to the end, in little memory, whatever comes and whoever stops reading."""

import os
import random
import select
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import ullage
from support.command import runner

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"

SOUND = "21 01 11 00 09 03 d8 79 33 d7"
DAMAGED = "21 01 11 00 09 01 d8 79 33 d7"
ROW = "sensor 0  distance 1234 mm    battery 3.21 V"

PROGRAM = [sys.executable, "-m", "ullage_cli", "decode"]

posix = pytest.mark.skipif(os.name != "posix", reason="signals and polled pipes are POSIX")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copy(SPEC, tmp_path / "orchard.toml")
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("decode")


def start(*arguments: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [*PROGRAM, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )


def give(process: subprocess.Popen[bytes], octets: bytes) -> None:
    assert process.stdin is not None
    process.stdin.write(octets)
    process.stdin.flush()


def take(process: subprocess.Popen[bytes], until: bytes, seconds: float = 20.0) -> bytes:
    """What the process prints, up to and with this text."""
    assert process.stdout is not None
    got, end = b"", time.monotonic() + seconds
    while until not in got and time.monotonic() < end:
        if select.select([process.stdout], [], [], 0.2)[0]:
            piece = os.read(process.stdout.fileno(), 65_536)
            if not piece:
                break
            got += piece
    assert until in got, got
    return got


@posix
@pytest.mark.parametrize(
    ("options", "shows"),
    [
        ([], b"1234 mm"),
        (["--json"], b'"distance": 1234'),
        (["--csv", "--frame", "level_report"], b"1234,,3.21"),
    ],
)
def test_each_line_is_shown_while_the_next_is_still_awaited(options: list[str], shows: bytes) -> None:
    with start("orchard.toml", "-", *options) as process:
        for _ in range(2):
            give(process, f"06:24:11 {SOUND}\n".encode())
            assert take(process, shows + b"").count(b"\n") >= 1
        out, err = process.communicate()
    assert process.returncode == 0
    assert b"2 lines = 2 readings + 0 refused + 0 without a frame" in out + err


@posix
def test_ctrl_c_ends_with_the_summary_of_what_came_so_far() -> None:
    with start("orchard.toml") as process:
        give(process, f"{SOUND}\n{DAMAGED}\n".encode())
        take(process, b"21 01 11 00 09 01")
        process.send_signal(signal.SIGINT)
        out, err = process.communicate()
    assert process.returncode == 130
    assert b"2 lines = 1 reading + 1 refused + 0 without a frame" in out
    assert err == b""


@posix
def test_ctrl_c_keeps_the_tables_written_so_far(folder: Path) -> None:
    (folder / "a.log").write_text(f"{SOUND}\n", encoding="utf-8")
    (folder / "empty.log").write_bytes(b"")
    with start("orchard.toml", "a.log", "empty.log", "-", "--csv", "-o", "tables") as process:
        assert process.stderr is not None
        assert process.stderr.readline() == b"empty.log is empty\n"
        process.send_signal(signal.SIGINT)
        process.communicate()
    assert process.returncode == 130
    assert (folder / "tables" / "level_report.csv").read_text(encoding="utf-8").endswith("1234,,3.21,,\n")
    assert len(list((folder / "tables").iterdir())) == 5


@posix
@pytest.mark.parametrize("options", [[], ["--json"], ["--csv", "--frame", "level_report"]])
def test_a_reader_that_has_seen_enough_ends_it_without_a_word(folder: Path, options: list[str]) -> None:
    (folder / "a.log").write_text(f"06:24:11 {SOUND}\n" * 5000, encoding="utf-8")
    with start("orchard.toml", "a.log", *options) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait() == 0


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the high-water mark is read from /proc")
def test_a_line_of_200_megabytes_takes_no_more_memory_than_a_short_one() -> None:
    program = (
        "import sys; from ullage_cli.main import main; code = main(sys.argv[1:])\n"
        "for line in open('/proc/self/status'):\n"
        "    if line.startswith('VmHWM'): print(line.split()[1], file=sys.stderr)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, "decode", "orchard.toml", "-"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdin is not None
        piece = b"2101110009" * 100_000
        for _ in range(200):
            process.stdin.write(piece)
        out, err = process.communicate(f"\n{SOUND}\n".encode())
    assert b"2 lines = 1 reading + 1 refused + 0 without a frame" in out
    assert b"1 line had more than 65536 octets; the rest of each was not read" in out
    assert int(err) < 120_000  # kB; the program itself takes a third of this


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_a_console_without_the_letters_gets_plain_ones(folder: Path, encoding: str) -> None:
    spec = """
        [protocol]
        name = "units"
        [[frame]]
        name = "f"
        field = [
          { name = "grain", kind = "measure", unit = "µm", range = [0, 255], step = 1 },
          { name = "flow", kind = "measure", unit = "m³/h → Ω", range = [0, 255], step = 1 },
        ]
    """
    (folder / "units.toml").write_text(spec, encoding="utf-8")
    (folder / "größe.log").write_text("01 02\n" + "aa " * 300 + "\n", encoding="utf-8")
    for options in ([], ["--json"], ["--csv", "--frame", "f"]):
        made = subprocess.run(
            [*PROGRAM, "units.toml", "größe.log", "--strict", *options],
            env=os.environ | {"PYTHONIOENCODING": encoding},
            capture_output=True,
            check=False,
        )
        assert made.returncode == 1
        assert b"Traceback" not in made.stderr
        if not options:
            row = made.stdout.decode(encoding).splitlines()[1]
            assert row.endswith("1 µm    flow 2 m³/h → Ω" if encoding == "utf-8" else "1 um    flow 2 m3/h -> Ohm")
        elif options == ["--json"]:
            assert b'"gr\\u00f6\\u00dfe.log"' in made.stdout


@pytest.mark.parametrize(
    ("octets", "sums"),
    [
        (f"{SOUND}\r\n\r\n{DAMAGED}\r\n".encode(), "3 lines = 1 reading + 1 refused + 1 without a frame"),
        (f"{SOUND}\r{SOUND}".encode(), "2 lines = 2 readings + 0 refused + 0 without a frame"),
        (f"ready\n{SOUND}".encode(), "2 lines = 1 reading + 0 refused + 1 without a frame"),
        (f"ready\r\n{SOUND}\r\n".encode("utf-16"), "2 lines = 1 reading + 0 refused + 1 without a frame"),
        (b"\xfe\xff" + f"{SOUND}\n".encode("utf-16-be"), "1 line = 1 reading + 0 refused + 0 without a frame"),
        (b"\xef\xbb\xbf" + f"{SOUND}\n".encode(), "1 line = 1 reading + 0 refused + 0 without a frame"),
        (f"\x1b[32m{SOUND}\x1b[0m\n".encode(), "1 line = 1 reading + 0 refused + 0 without a frame"),
        (f"\xff\xfe\x00{SOUND}\n".encode("latin-1")[2:], "1 line = 1 reading + 0 refused + 0 without a frame"),
        (b"\n\n\n", "3 lines = 0 readings + 0 refused + 3 without a frame"),
    ],
    ids=["CRLF", "CR", "no last end", "UTF-16", "UTF-16 high first", "UTF-8 mark", "colour", "zero", "blank"],
)
def test_files_of_every_make_are_read(
    capsys: pytest.CaptureFixture[str], folder: Path, octets: bytes, sums: str
) -> None:
    (folder / "a.log").write_bytes(octets)
    code, out, err = run(capsys, "orchard.toml", "a.log", "--quiet")
    assert (code, out.splitlines()[0], err) == (0, sums, "")


@pytest.mark.parametrize(
    "options", [[], ["--json", "--all"], ["--csv", "-o", "t"], ["--as", "base64"], ["--as", "decimal"]]
)
def test_rubbish_is_read_to_its_end(capsys: pytest.CaptureFixture[str], folder: Path, options: list[str]) -> None:
    (folder / "a.log").write_bytes(random.Random(1).randbytes(100_000))
    code, out, err = run(capsys, "orchard.toml", "a.log", *options)
    assert code == 0
    assert " lines = 0 readings + " in out + err


def test_standard_input_is_read_when_no_file_is_named_and_has_no_line_to_explain() -> None:
    made = subprocess.run([*PROGRAM, "orchard.toml"], input=f"{DAMAGED}\n".encode(), capture_output=True, check=True)
    assert made.stdout.decode().splitlines()[-1] == "  1  integrity  first in line 1"


def test_empty_standard_input_is_called_empty() -> None:
    made = subprocess.run([*PROGRAM, "orchard.toml", "-"], input=b"", capture_output=True, check=True)
    assert made.stderr.decode().splitlines() == ["standard input is empty"]


@posix
def test_colour_is_for_refused_rows_on_a_terminal_only(folder: Path) -> None:
    import pty

    (folder / "a.log").write_text(f"{SOUND}\n{DAMAGED}\n", encoding="utf-8")
    shown = []
    for more in ({}, {"NO_COLOR": "1"}):
        ours, theirs = pty.openpty()
        environment = {key: value for key, value in os.environ.items() if key != "NO_COLOR"}
        subprocess.run(
            [*PROGRAM, "orchard.toml", "a.log"],
            stdout=theirs,
            stdin=subprocess.DEVNULL,
            env=environment | {"TERM": "xterm"} | more,
            check=True,
        )
        os.close(theirs)
        shown.append(os.read(ours, 65_536).decode().splitlines())
        os.close(ours)
    coloured, plain = shown
    assert [row for row in coloured if "\x1b" in row] == [row for row in coloured if "refused  integrity" in row]
    assert [row for row in coloured if "\x1b" in row]
    assert not [row for row in plain if "\x1b" in row]


def test_the_last_line_of_a_full_log_counts_without_its_end(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    frame = ullage.load(SPEC).encode(
        "acknowledgement",
        {"destination": 1, "source": 17, "sequence": 1, "order": 1, "result": "done", "valve": "open"},
    )
    (folder / "a.log").write_text(f"{SOUND}\n{frame.hex()}", encoding="utf-8")
    _, out, _ = run(capsys, "orchard.toml", "a.log")
    assert ROW in out
    assert "order 1    result done     valve open" in out
