"""Sealing from the shell: a counter file never gives a number twice, whatever happens to the run that uses it."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import ullage
from support.command import runner
from support.sealed_wells import KEYS, key_text, wells, wells_text

Capture = pytest.CaptureFixture[str]

new = runner("key", "counter", "wells.toml")
encode = runner("encode", "wells.toml")
ORDER = ("order", "destination=17", "valve=open", "--keys", "keys.toml", "--counter", "1.txt")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "wells.toml").write_text(wells_text(), encoding="utf-8")
    (tmp_path / "keys.toml").write_text(key_text(17, 18), encoding="utf-8")
    (tmp_path / "keys.toml").chmod(0o600)
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("ULLAGE_KEY")]:
        monkeypatch.delenv(name)
    return tmp_path


def counter_of(line: str) -> int | None:
    """The whole number of a frame as printed, in the eyes of a receiver without memory."""
    return ullage.Receiver(wells(), KEYS).decode(bytes.fromhex(line)).counter


def test_each_run_seals_with_the_next_number_from_the_first_on(capsys: Capture) -> None:
    assert new(capsys, "1", "-o", "1.txt", "--first", "250") == (
        0,
        "1.txt: the counter of station 1, from 250 on; never copy it or take it from a backup\n",
        "",
    )
    frames = [encode(capsys, *ORDER) for _ in range(8)]
    assert {code for code, _, _ in frames} == {0}
    assert [counter_of(out) for _, out, _ in frames] == list(range(250, 258))


def test_a_number_is_on_the_disk_before_its_frame_is_shown(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that fails while the file is written shows nothing; the next one never goes back."""
    new(capsys, "1", "-o", "1.txt")
    encode(capsys, *ORDER)

    def cut(_: int) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as failing:
        failing.setattr("os.fsync", cut)
        assert encode(capsys, *ORDER) == (2, "", "Input/output error\n")
    number = counter_of(encode(capsys, *ORDER)[1])
    assert number is not None
    assert number >= 1


@pytest.mark.parametrize("octets", range(66, 92))
def test_a_file_with_one_record_torn_anywhere_goes_on_and_never_back(capsys: Capture, octets: int) -> None:
    """A write that ended after some digits; whatever stood behind them is still there."""
    new(capsys, "1", "-o", "1.txt")
    for _ in range(3):
        encode(capsys, *ORDER)
    content = bytearray(Path("1.txt").read_bytes())
    assert len(content) == 92
    content[octets] = ord("f") if content[octets] != ord("f") else ord("0")
    Path("1.txt").write_bytes(content)
    code, out, err = encode(capsys, *ORDER)
    assert code == 0, err
    number = counter_of(out)
    assert number is not None
    assert number >= 3


def test_a_file_with_both_records_damaged_seals_nothing(capsys: Capture) -> None:
    new(capsys, "1", "-o", "1.txt")
    head, _, _ = Path("1.txt").read_text(encoding="ascii").splitlines()
    for records in ("0000000000ff\n0000000000ff\n", "", "xx\nxx\n"):
        Path("1.txt").write_text(f"{head}\n{records}", encoding="ascii")
        code, out, err = encode(capsys, *ORDER)
        assert (code, out) == (2, "")
        assert err.startswith("1.txt: neither record of the counter is sound, so its last number is not known")
        assert len(err.splitlines()) == 2


def test_values_that_do_not_fit_use_up_no_number(capsys: Capture) -> None:
    new(capsys, "1", "-o", "1.txt")
    before = Path("1.txt").read_bytes()
    for words in (
        ("order", "destination=17", "valve=ajar", *ORDER[3:]),
        ("order", "destination=19", "valve=open", *ORDER[3:]),
        ("order", "destination=255", "valve=open", *ORDER[3:]),
        ("order", "destination=17", "valve=open", "source=17", *ORDER[3:]),
        ("order", "destination=17", "valve=open", "sequence=3", *ORDER[3:]),
    ):
        code, out, err = encode(capsys, *words)
        assert (code, out) == (2, "")
        assert "help: " in err
    assert Path("1.txt").read_bytes() == before


def test_runs_side_by_side_never_share_a_number(capsys: Capture) -> None:
    """Those that find the file in use say so; the others have numbers of their own."""
    new(capsys, "1", "-o", "1.txt")
    command = [sys.executable, "-m", "ullage_cli", "encode", "wells.toml", *ORDER]
    runs = [subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(4)]
    numbers = []
    for one in runs:
        out, err = one.communicate()
        assert one.returncode == 0 or "another run is using this file" in err, err
        numbers += [counter_of(out)] if one.returncode == 0 else []
    assert numbers
    assert len(set(numbers)) == len(numbers)


def test_a_file_that_another_run_holds_is_left_alone(capsys: Capture) -> None:
    from ullage_cli.keys import held

    new(capsys, "1", "-o", "1.txt")
    with held(Path("1.txt")):
        code, out, err = encode(capsys, *ORDER)
    assert (code, out) == (2, "")
    assert err == "1.txt: another run is using this file\n  help: one at a time\n"
    assert encode(capsys, *ORDER)[0] == 0


def test_the_end_of_the_counter_is_told(capsys: Capture) -> None:
    new(capsys, "1", "-o", "1.txt", "--first", str((1 << 32) - 2))
    assert encode(capsys, *ORDER)[0] == 0
    code, out, err = encode(capsys, *ORDER)
    assert (code, out) == (2, "")
    assert err == "the counter of 32 bits has reached its end\n  help: give the node a fresh key\n"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "1.txt: there is no such file, and a counter is never begun anew by itself\n  help: for a fresh key, "),
        ("", "1.txt: this is no counter file\n"),
        ("[keys]\n", "1.txt: this is no counter file\n"),
        (
            "ullage counter of station 1, 24 bits; never copy, restore or edit\n0000000084c0\n0000000084c0\n",
            "1.txt: a counter of 24 bits, and the spec's has 32\n",
        ),
    ],
)
def test_what_is_no_counter_file_seals_nothing(capsys: Capture, content: str | None, says: str) -> None:
    if content is not None:
        Path("1.txt").write_text(content, encoding="ascii")
    code, out, err = encode(capsys, *ORDER)
    assert (code, out) == (2, "")
    assert err.startswith(says)
    assert Path("1.txt").exists() == (content is not None)


def test_a_sealed_frame_without_keys_or_counter_says_what_it_takes(capsys: Capture) -> None:
    for words in ((), ("--keys", "keys.toml"), ("--counter", "1.txt")):
        code, out, err = encode(capsys, "order", "destination=17", "valve=open", *words)
        assert (code, out) == (2, "")
        assert err == (
            "order is sealed, and that takes keys and a counter\n"
            "  help: --keys FILE --counter FILE; ullage key --help says how to make them\n"
        )


def test_without_values_it_shows_a_command_line_that_works(capsys: Capture) -> None:
    code, out, err = encode(capsys, "order")
    assert (code, out) == (2, "")
    assert "source" not in err
    assert "sequence" not in err
    words = err.splitlines()[-1].split()[3:]
    assert words[-4:] == ["--keys", "keys.toml", "--counter", "counter.txt"]
    new(capsys, "1", "-o", "counter.txt")
    shown = [word.replace("destination=1", "destination=17") if word == "destination=1" else word for word in words]
    assert encode(capsys, *shown)[0] == 0


def test_a_frame_that_is_not_sealed_takes_neither(capsys: Capture) -> None:
    words = ("hello", "destination=1", "source=17", "sequence=0", "starts=1")
    assert encode(capsys, *words)[0] == 0
    code, _, err = encode(capsys, *words, "--keys", "keys.toml")
    assert (code, err) == (2, "hello is not sealed\n  help: leave --keys and --counter out\n")
