"""`ullage key` makes files for their owner alone, whole, never over another, and never shows an octet of a key."""

import os
import stat
import subprocess
from pathlib import Path

import pytest

from support.command import runner
from support.ends import WARNINGS, need
from support.sealed_wells import KEYS, key_text, wells_text
from ullage.seal import read_keys, traces

POSIX = pytest.mark.skipif(os.name != "posix", reason="modes of files mean nothing here")

run = runner("key")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "wells.toml").write_text(wells_text(), encoding="utf-8")
    (tmp_path / "plain.toml").write_text(
        '[protocol]\nname = "plain"\n[[frame]]\nname = "f"\nfield = [{ name = "n", kind = "count", bits = 8 }]\n',
        encoding="utf-8",
    )
    (tmp_path / "keys.toml").write_text(key_text(), encoding="utf-8")
    (tmp_path / "keys.toml").chmod(0o600)
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("ULLAGE_KEY")]:
        monkeypatch.delenv(name)
    return tmp_path


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def there() -> list[str]:
    """The names in the folder."""
    return sorted(path.name for path in Path().iterdir())


# ---- key new ---------------------------------------------------------------------------------------------------


def test_it_draws_a_key_for_each_station_and_says_what_comes_next(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "new", "17", "18", "-o", "new.toml")
    assert (code, err) == (0, "")
    assert out == (
        "new.toml: 2 keys of 128 bits, readable by you alone; never into version control\n"
        "next  ullage key header SPEC 17 --keys new.toml -o FILE.h\n"
    )
    text = Path("new.toml").read_text(encoding="utf-8")
    assert text.startswith("# SECRET: the keys of sealed frames.")
    assert set(read_keys(text, "new.toml")) == {17, 18}


@pytest.mark.parametrize("bits", [128, 192, 256])
def test_keys_have_the_bits_that_are_asked_for(capsys: pytest.CaptureFixture[str], bits: int) -> None:
    assert run(capsys, "new", "17", "-o", "new.toml", "--bits", str(bits), "--group")[0] == 0
    keys = read_keys(Path("new.toml").read_bytes(), "new.toml", key_bits=bits)
    assert {key.bits for key in keys.values()} == {bits}
    assert set(keys) == {17, None}


def test_no_two_keys_are_alike(capsys: pytest.CaptureFixture[str]) -> None:
    found = set()
    for place in range(4):
        assert run(capsys, "new", *map(str, range(2, 60)), "--group", "-o", f"{place}.toml")[0] == 0
        found |= {key.octets for key in read_keys(Path(f"{place}.toml").read_bytes(), "k").values()}
    assert len(found) == 4 * 59


@POSIX
def test_the_file_is_for_its_owner_alone_whatever_the_mask(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, folder: Path
) -> None:
    """Also while it is written: every file is looked at at the moment when its octets go to the disk."""
    seen: list[int] = []
    real = os.fsync

    def looking(handle: int) -> None:
        seen.append(stat.S_IMODE(os.fstat(handle).st_mode))
        real(handle)

    monkeypatch.setattr("os.fsync", looking)
    mask = os.umask(0)
    try:
        assert run(capsys, "new", "17", "-o", "new.toml")[0] == 0
        assert run(capsys, "header", "wells.toml", "17", "--keys", "keys.toml", "-o", "17.h")[0] == 0
        assert run(capsys, "counter", "wells.toml", "1", "-o", "1.txt")[0] == 0
    finally:
        os.umask(mask)
    assert seen == [0o600] * 3
    assert [mode(folder / name) for name in ("new.toml", "17.h", "1.txt")] == [0o600] * 3


FILES = [
    ("new", "17", "-o"),
    ("header", "wells.toml", "17", "--keys", "keys.toml", "-o"),
    ("counter", "wells.toml", "1", "-o"),
]


@pytest.mark.parametrize("words", FILES, ids=lambda words: words[0])
def test_a_file_that_is_there_is_never_written_over(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    """Nor one that comes up just then, nor where a dangling link points to."""
    Path("taken").write_text("old", encoding="utf-8")
    Path("link").symlink_to("elsewhere")
    for name in ("taken", "link"):
        code, out, err = run(capsys, *words, name)
        assert (code, out) == (2, "")
        assert err.startswith(f"{name}: this file is there already, and is never written over\n")
    monkeypatch.setattr("pathlib.Path.exists", lambda path, **_: path.name != "taken")
    assert run(capsys, *words, "taken")[0] == 2
    monkeypatch.setattr("pathlib.Path.hardlink_to", _no_links)
    assert run(capsys, *words, "taken")[0] == 2
    assert Path("taken").read_text(encoding="utf-8") == "old"
    assert there() == ["keys.toml", "link", "plain.toml", "taken", "wells.toml"]


def _no_links(*_: object) -> None:
    raise PermissionError(1, "no links here")


@pytest.mark.parametrize("words", FILES, ids=lambda words: words[0])
def test_without_links_the_file_is_written_all_the_same(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], folder: Path
) -> None:
    monkeypatch.setattr("pathlib.Path.hardlink_to", _no_links)
    assert run(capsys, *words, "fresh")[0] == 0
    assert (folder / "fresh").stat().st_size > 50
    assert os.name != "posix" or mode(folder / "fresh") == 0o600
    assert len(there()) == 4


@pytest.mark.parametrize("words", FILES, ids=lambda words: words[0])
def test_a_full_disk_leaves_nothing_behind(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    assert run(capsys, *words, "fresh") == (2, "", "No space left on device\n")
    assert there() == ["keys.toml", "plain.toml", "wells.toml"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("new 17 17 -o a", "station 17 is named twice\n  help: one key for each\n"),
        ("new 017 -o a", "a station is a whole number, without sign or leading zeros\n  help: such as 17\n"),
        ("new 17 -o a --bits 64", "--bits 64: AES has keys of 128, 192 or 256 bits\n"),
        ("new 17 -o no/a", "no: there is no such folder\n"),
        ("header wells.toml 19 --keys keys.toml -o a", "there is no key of station 19\n  help: there are those of "),
        ("header wells.toml 17 -o a", "no keys are given\n  help: --keys FILE; ullage key new makes one\n"),
        ("header wells.toml 17 --keys no.toml -o a", "no.toml: there is no such file\n  help: ullage key new makes"),
        ("header wells.toml 17 --keys . -o a", ".: this is a folder; give a key file\n"),
        ("header plain.toml 17 --keys keys.toml -o a", "plain.toml: plain has no sealed frames, so it needs no keys"),
        ("counter plain.toml 1 -o a", "plain.toml: plain has no sealed frames, so it needs no keys"),
        ("counter wells.toml 1 -o a --first 4294967295", "--first 4294967295: a counter of 32 bits hands out 0..42949"),
    ],
)
def test_a_wrong_request_is_one_sentence(capsys: pytest.CaptureFixture[str], words: str, says: str) -> None:
    code, out, err = run(capsys, *words.split())
    assert (code, out) == (2, "")
    assert err.startswith(says)
    assert not Path("a").exists()


def test_a_key_where_a_station_or_a_file_belongs_is_not_repeated(capsys: pytest.CaptureFixture[str]) -> None:
    digits = KEYS[17].octets.hex()
    for words in (
        ("new", digits, "-o", "a"),
        ("header", "wells.toml", digits, "--keys", "keys.toml", "-o", "a"),
        ("header", "wells.toml", "17", "--keys", digits, "-o", "a"),
        ("header", "wells.toml", "17", "--keys", f'17 = "{digits}"', "-o", "a"),
    ):
        code, out, err = run(capsys, *words)
        assert (code, out) == (2, "")
        assert not traces(err, KEYS.values())
    assert "not a key" in err


# ---- key header ------------------------------------------------------------------------------------------------


def test_the_private_header_says_so_in_its_first_line(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "header", "wells.toml", "17", "--keys", "keys.toml", "-o", "17.h")
    assert (code, out, err) == (0, "17.h: private, for station 17 alone; never into version control\n", "")
    lines = Path("17.h").read_text(encoding="ascii").splitlines()
    assert lines[0] == "/* private: holds the key of station 17; never into version control"
    assert "#ifndef WELLS_KEY_17_H" in lines
    assert "static const uint8_t WELLS_KEY_17[16] = {" in lines


def test_the_private_header_holds_no_other_key(capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "header", "wells.toml", "17", "--keys", "keys.toml", "-o", "17.h")
    places = traces(Path("17.h").read_text(encoding="ascii"), KEYS.values())
    assert [key.station for key, _, _ in places] == [17]  # once, and in no comment
    run(capsys, "header", "wells.toml", "18", "--group", "--keys", "keys.toml", "-o", "18.h")
    found = {key.station for key, _, _ in traces(Path("18.h").read_text(encoding="ascii"), KEYS.values())}
    assert found == {18, None}


def test_c_has_no_longer_keys_and_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    Path("long.toml").write_text(wells_text().replace("[seal]", "[seal]\nkey_bits = 256"), encoding="utf-8")
    assert run(capsys, "new", "17", "--bits", "256", "-o", "long_keys.toml")[0] == 0
    code, out, err = run(capsys, "header", "long.toml", "17", "--keys", "long_keys.toml", "-o", "a.h")
    assert (code, out) == (2, "")
    assert err == "C seals with AES-128 alone, and the keys of wells have 256 bits\n"
    assert not Path("a.h").exists()


@pytest.mark.parametrize("compiler", ["gcc", "g++", "clang", "clang++"])
def test_the_private_header_compiles_clean_and_holds_the_octets(
    capsys: pytest.CaptureFixture[str], compiler: str
) -> None:
    need(compiler)
    run(capsys, "header", "wells.toml", "17", "--group", "--keys", "keys.toml", "-o", "key.h")
    Path("a.c").write_text(
        '#include "key.h"\n#include "key.h"\n#include <stdio.h>\nint main(void)\n{\n  unsigned i;\n'
        '  for (i = 0; i < sizeof WELLS_KEY_17; i++) printf("%02x", (unsigned)WELLS_KEY_17[i]);\n'
        '  for (i = 0; i < sizeof WELLS_KEY_GROUP; i++) printf("%02x", (unsigned)WELLS_KEY_GROUP[i]);\n'
        "  return 0;\n}\n",
        encoding="ascii",
    )
    name, language = ("c++", "-std=c++11") if "++" in compiler else ("c", "-std=c99")
    subprocess.run([compiler, language, *WARNINGS, "-Wunused", "-x", name, "a.c", "-o", "a.out"], check=True)
    said = subprocess.run([str(Path("a.out").resolve())], capture_output=True, text=True, check=True).stdout
    assert said == KEYS[17].octets.hex() + KEYS[None].octets.hex()


# ---- where keys come from --------------------------------------------------------------------------------------


@POSIX
@pytest.mark.parametrize("bits", [0o640, 0o604, 0o660, 0o602, 0o644, 0o666])
def test_a_key_file_that_others_can_read_or_change_is_refused_with_the_cure(
    capsys: pytest.CaptureFixture[str], bits: int
) -> None:
    Path("keys.toml").chmod(bits)
    words = ("header", "wells.toml", "17", "--keys", "keys.toml", "-o", "17.h")
    code, out, err = run(capsys, *words)
    assert (code, out) == (2, "")
    assert err == (
        f"keys.toml: others than its owner can read or change this key file (mode {bits:04o})\n"
        "  help: chmod 600 keys.toml; who has read it has the keys\n"
    )
    Path("keys.toml").chmod(0o400)
    assert run(capsys, *words)[0] == 0


def test_where_modes_mean_nothing_they_are_not_asked(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    Path("keys.toml").chmod(0o666)
    monkeypatch.setattr("ullage_cli.keys.MODES_CHECKED", False)
    assert run(capsys, "header", "wells.toml", "17", "--keys", "keys.toml", "-o", "17.h")[0] == 0
    assert "see to it that you alone can read it" in run(capsys, "new", "17", "-o", "new.toml")[1]


def test_keys_may_stand_in_variables_or_in_a_file_that_one_names(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run(capsys, "header", "wells.toml", "17", "--group", "--keys", "keys.toml", "-o", "1.h")
    monkeypatch.setenv("ULLAGE_KEYS", "keys.toml")
    assert run(capsys, "header", "wells.toml", "17", "--group", "-o", "2.h")[0] == 0
    monkeypatch.delenv("ULLAGE_KEYS")
    monkeypatch.setenv("ULLAGE_KEY_17", KEYS[17].octets.hex())
    monkeypatch.setenv("ULLAGE_KEY_GROUP", KEYS[None].octets.hex())
    assert run(capsys, "header", "wells.toml", "17", "--group", "-o", "3.h")[0] == 0
    assert Path("1.h").read_bytes() == Path("2.h").read_bytes() == Path("3.h").read_bytes()


def test_the_option_wins_over_the_variables(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ULLAGE_KEYS", "nowhere.toml")
    monkeypatch.setenv("ULLAGE_KEY_17", "no key at all")
    assert run(capsys, "header", "wells.toml", "17", "--keys", "keys.toml", "-o", "1.h")[0] == 0
    code, _, err = run(capsys, "header", "wells.toml", "17", "-o", "2.h")
    assert code == 2
    assert err.startswith("both ULLAGE_KEYS and variables that begin with ULLAGE_KEY_ are set\n")


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("17", KEYS[17].octets.hex()[:-2], "ULLAGE_KEY_17: a key of 128 bits has 32 hex digits, and this one has 30\n"),
        ("17", "f0 4c", "ULLAGE_KEY_17: a key is made of hex digits only, and character 3 of this one is none\n"),
        ("GROUP", "00" * 16, "ULLAGE_KEY_GROUP: this key counts or repeats, so anybody finds it\n"),
        ("256", KEYS[17].octets.hex(), "ULLAGE_KEY_256: station 256 is outside 0..255\n"),
        (
            KEYS[17].octets.hex(),
            "x",
            "a variable ULLAGE_KEY_... is named neither after a station nor after the group\n",
        ),
    ],
)
def test_a_faulty_variable_is_named_and_not_quoted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, name: str, value: str, says: str
) -> None:
    monkeypatch.setenv(f"ULLAGE_KEY_{name}", value)
    code, out, err = run(capsys, "header", "wells.toml", "17", "-o", "17.h")
    assert (code, out) == (2, "")
    assert err.startswith(says)
    assert not traces(err, KEYS.values())


def test_faults_of_a_key_file_have_their_places_and_none_of_its_digits(capsys: pytest.CaptureFixture[str]) -> None:
    digits = KEYS[17].octets.hex()
    Path("keys.toml").write_text(f'[keys]\n17 = "{digits}"\n18 = "{digits}"\n{digits} = 3\n', encoding="utf-8")
    code, out, err = run(capsys, "header", "wells.toml", "17", "--keys", "keys.toml", "-o", "17.h")
    assert (code, out) == (2, "")
    assert "keys.toml:3:6: this key is also that of station 17" in err
    assert "keys.toml:4:36: the name of this entry is neither a station number nor group" in err
    assert not traces(err, KEYS.values())


@POSIX
def test_a_key_file_may_come_through_a_pipe(capsys: pytest.CaptureFixture[str]) -> None:
    read, write = os.pipe()
    with os.fdopen(write, "w") as out:
        out.write(key_text())
    if not Path(f"/dev/fd/{read}").exists():
        pytest.skip("no /dev/fd")
    assert run(capsys, "header", "wells.toml", "17", "--keys", f"/dev/fd/{read}", "-o", "17.h")[0] == 0
    os.close(read)


def test_an_endless_key_file_is_not_read_to_its_end(capsys: pytest.CaptureFixture[str]) -> None:
    if not Path("/dev/zero").exists():
        pytest.skip("no /dev/zero")
    code, _, err = run(capsys, "header", "wells.toml", "17", "--keys", "/dev/zero", "-o", "17.h")
    assert (code, err) == (2, "/dev/zero: more than 1048576 octets; this is no key file\n")


def test_the_help_names_every_store(capsys: pytest.CaptureFixture[str]) -> None:
    said = " ".join(run(capsys, "--help")[1].split())
    for word in ("--keys", "ULLAGE_KEYS", "ULLAGE_KEY_17", "ULLAGE_KEY_GROUP", "not checked on Windows"):
        assert word in said, word
