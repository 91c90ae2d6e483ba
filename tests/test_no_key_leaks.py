"""No octet of a key is ever seen: on no screen, in no file but the two that are for keys, in no error, repr or pickle.

Every command runs with keys that are known here, and whatever it says or writes is searched in hex, base64 and numbers.
"""

import copy
import gc
import json
import os
import pickle
import traceback
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import typer.main

import ullage
from support.sealed_wells import KEYS, Numbers, key_text, level, node, wells, wells_text
from ullage.seal import Key, read_keys, traces
from ullage.sealed import Opener
from ullage_cli.main import app, main

Capture = pytest.CaptureFixture[str]
SECRET = {"keys.toml", "bad.toml", "torn.toml", "key_17.h", "drawn.toml", "invented.toml"}
"""Files that hold keys by their nature; the two faulty key files among them."""

RUNS = {
    "begin": ["begin tank"],
    "check": ["check wells.toml", "check wells.toml --json"],
    "compare": ["compare older.toml wells.toml", "compare older.toml wells.toml --json"],
    "decode": [
        "decode wells.toml a.log",
        "decode wells.toml a.log --keys keys.toml",
        "decode wells.toml a.log --keys keys.toml --json --all --state seen.json",
        "decode wells.toml a.log --keys keys.toml --csv --frame level",
        "decode wells.toml a.log --keys keys.toml --csv -o tables",
        "decode wells.toml a.log --keys bad.toml",
        "decode wells.toml a.log --keys torn.toml",
        "decode wells.toml a.log --keys open.toml",
        "decode wells.toml a.log --keys {key}",
    ],
    "emit c": ["emit c wells.toml -o out", "emit c wells.toml -o -", "emit c wells.toml -o out --verify"],
    "emit javascript": ["emit javascript wells.toml -o out", "emit javascript wells.toml -o out --verify"],
    "emit python": ["emit python wells.toml -o out", "emit python wells.toml -o out --verify"],
    "emit rules": ["emit rules -o out"],
    "emit vectors": ["emit vectors wells.toml -o out"],
    "encode": [
        "encode wells.toml order",
        "encode wells.toml order destination=17 valve=open --keys keys.toml --counter counter.txt",
        "encode wells.toml order destination=17 valve=open --keys bad.toml --counter counter.txt",
        "encode wells.toml order destination=19 valve=open --keys keys.toml --counter counter.txt",
    ],
    "explain": [
        *("explain wells.toml a.log:1", "explain wells.toml a.log:1 --keys keys.toml"),
        *("explain wells.toml a.log:4 --keys keys.toml", "explain wells.toml a.log:1 --keys bad.toml"),
    ],
    "key counter": ["key counter wells.toml 1 -o counter.txt"],
    "key header": [
        "key header wells.toml 17 --group --keys keys.toml -o key_17.h",
        "key header wells.toml 17 --keys bad.toml -o no.h",
        "key header wells.toml {key} --keys keys.toml -o no.h",
    ],
    "key new": ["key new 17 18 --group -o drawn.toml", "key new {key} -o no.toml"],
    "sheet": ["sheet wells.toml -o sheet.html", "sheet wells.toml -o sheet.md"],
    "simulate": ["simulate wells.toml --frames 30 -o s.log --truth s.jsonl --keys invented.toml"],
}
FIRST = ("key counter", "emit c", "emit javascript", "emit python")
"""What others need comes first."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "wells.toml").write_text(wells_text(group="true"), encoding="utf-8")
    (tmp_path / "older.toml").write_text(wells_text(group="true", high=6000), encoding="utf-8")
    (tmp_path / "out").mkdir()
    hexes = {owner: key.octets.hex() for owner, key in KEYS.items()}
    faults = [f'18 = "{hexes[17]}"', f"{hexes[18]} = 3", f'19 = "{hexes[18][:-1]}x"', f'20 = "{hexes[None]}00"']
    bad = "\n".join(["[keys]", f'17 = "{hexes[17]}"', *faults, ""])
    for name, text in (("keys.toml", key_text()), ("bad.toml", bad), ("torn.toml", key_text()[:-9])):
        (tmp_path / name).write_text(text, encoding="utf-8")
        (tmp_path / name).chmod(0o600)
    (tmp_path / "open.toml").write_text(key_text().replace(hexes[17], hexes[17][::-1]), encoding="utf-8")
    (tmp_path / "open.toml").chmod(0o644)
    well = wells(group="true")
    sound = [level(node(well, first=number)) for number in (4, 5)]
    order = node(well, 1).encode("order", {"destination": 255, "valve": "open"})
    frames = [*sound, sound[0], level(ullage.Sender(well, 17, {17: Key(bytes(range(2, 50, 3)), 17)}, Numbers())), order]
    hello = node(well).encode("hello", {"destination": 1, "starts": 2})
    lines = [octets.hex(" ") for octets in (*frames, hello, sound[0][:-1] + b"\0")]
    (tmp_path / "a.log").write_text("\n".join([*lines, "ready", ""]), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("ULLAGE_KEY")]:
        monkeypatch.delenv(name)
    return tmp_path


def commands(group: Any, path: str = "") -> Iterator[str]:
    """Every command that there is, by its words."""
    inner = getattr(group, "commands", None)
    if inner is None:
        yield path
    else:
        for name, command in inner.items():
            yield from commands(command, f"{path} {name}".strip())


def found(text: str, keys: Mapping[int | None, Key] = KEYS) -> list[str]:
    """The keys of which a text holds octets."""
    return [repr(key) for key, _, _ in traces(text, keys.values())]


def test_every_command_is_among_those_that_are_watched() -> None:
    assert sorted(RUNS) == sorted(commands(typer.main.get_command(app)))


@pytest.mark.parametrize("stores", ["none", "one variable a key", "a file"])
def test_no_command_shows_or_writes_an_octet_of_a_key(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch, folder: Path, stores: str
) -> None:
    if stores == "one variable a key":
        for owner, key in KEYS.items():
            monkeypatch.setenv(f"ULLAGE_KEY_{'GROUP' if owner is None else owner}", key.octets.hex())
    elif stores == "a file":
        monkeypatch.setenv("ULLAGE_KEYS", "keys.toml")
    worked, said = 0, ""
    for name in dict.fromkeys((*FIRST, *RUNS)):
        for words in RUNS[name]:
            worked += main(words.format(key=KEYS[17].octets.hex()).split()) == 0
            shown = capsys.readouterr()
            assert "Traceback" not in shown.err, words
            said += f"\n---- {words}\n{shown.out}{shown.err}"
    assert worked > 25
    drawn = read_keys(Path("drawn.toml").read_bytes(), "drawn.toml")
    places = [start for _, start, _ in traces(said, [*KEYS.values(), *drawn.values()])]
    assert not [said[:place].rpartition("\n---- ")[2].partition("\n")[0] for place in places]
    if stores == "none":
        _search_files(folder)


def _search_files(folder: Path) -> None:
    written = [path for path in folder.rglob("*") if path.is_file()]
    assert len(written) > 15
    drawn = read_keys((folder / "drawn.toml").read_bytes(), "drawn.toml")
    for path in written:
        text = path.read_bytes().decode("latin-1")
        if path.name in ("keys.toml", "key_17.h"):
            assert len(set(found(text))) >= 2, path  # the search finds what is there
        elif path.name == "drawn.toml":
            assert len(set(found(text, drawn))) == 3
        elif path.name not in SECRET | {"open.toml"}:
            assert not found(text), path
            assert not found(text, drawn), path


@pytest.mark.usefixtures("folder")
def test_the_other_commands_never_open_the_key_file(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    """What writes for others has no use for keys, so it works where they cannot be read at all."""
    monkeypatch.setenv("ULLAGE_KEYS", "bad.toml")
    for name in ("check", "emit c", "emit javascript", "emit python", "emit vectors", "sheet", "compare"):
        assert main(RUNS[name][0].split()) in (0, 1), name
        assert "bad.toml" not in capsys.readouterr().err


# ---- objects ---------------------------------------------------------------------------------------------------


def objects() -> dict[str, Any]:
    """Everything that holds keys, or has been near some."""
    well = wells(group="true")
    sender, receiver = node(well), ullage.Receiver(well, KEYS)
    octets = level(sender)
    things: dict[str, Any] = {"sender": sender, "receiver": receiver, "opener": Opener(KEYS)}
    things |= {"keys": KEYS, "read": read_keys(key_text(), "keys.toml"), "message": receiver.decode(octets)}
    things |= {"heard": receiver.heard, "saved": receiver.saved(), "protocol": well, "octets": octets}
    return things


@pytest.mark.parametrize("name", objects())
def test_printing_an_object_shows_no_key(name: str) -> None:
    thing = objects()[name]
    assert not found(f"{thing!r} {thing!s} {thing}")


@pytest.mark.parametrize("name", ["sender", "receiver", "opener", "keys", "read"])
def test_what_holds_a_key_is_never_pickled(name: str) -> None:
    for protocol in range(pickle.HIGHEST_PROTOCOL + 1):
        with pytest.raises(TypeError) as refused:
            pickle.dumps(objects()[name], protocol)
        assert not found(str(refused.value))


@pytest.mark.parametrize("name", ["message", "saved", "protocol"])
def test_what_is_pickled_holds_no_key(name: str) -> None:
    assert not found(pickle.dumps(objects()[name]).decode("latin-1"))


def test_a_copy_of_a_key_is_the_key_and_no_other_place_that_holds_it() -> None:
    assert copy.copy(KEYS[17]) is KEYS[17]
    assert copy.deepcopy(dict(KEYS))[17] is KEYS[17]


def test_a_message_leads_to_no_key() -> None:
    """Neither does what it refers to, however far one goes: a message may be handed to anybody."""
    well = wells()
    message = ullage.Receiver(well, KEYS).decode(level(node(well)))
    seen: dict[int, Any] = {}
    queue: list[Any] = [message.values, message.frame, message.counter, *vars(message.protocol).values()]
    while queue:
        thing = queue.pop()
        if id(thing) in seen or isinstance(thing, type) or callable(thing) or type(thing).__name__ == "module":
            continue
        seen[id(thing)] = thing
        assert not isinstance(thing, Key)
        queue += gc.get_referents(thing)
    assert len(seen) > 50


# ---- errors ----------------------------------------------------------------------------------------------------


def _refusals() -> dict[str, Callable[[], Any]]:
    well = wells(group="true")
    octets, hexes = level(node(well)), KEYS[17].octets.hex()
    twice = ullage.Receiver(well, KEYS)
    twice.decode(octets)
    long = Key(KEYS[17].octets + bytes(8), 17)
    return {
        "no key": lambda: ullage.Receiver(well, {}).decode(octets),
        "wrong tag": lambda: ullage.Receiver(well, {17: KEYS[18]}).decode(octets),
        "replay": lambda: twice.decode(octets),
        "no key to send": lambda: level(ullage.Sender(well, 19, KEYS, Numbers())),
        "bad value": lambda: level(node(well), depth=9999),
        "bad file": lambda: read_keys(f'[keys]\n17 = "{hexes}0"\n18 = {hexes}\n', "k"),
        "no TOML": lambda: read_keys(f'[keys]\n17 = "{hexes}', "k"),
        "other table": lambda: read_keys(f'["{hexes}"]\n17 = "{hexes}"\n', "k"),
        "long key": lambda: ullage.Receiver(well, {17: long}).decode(octets),
        "odd key": lambda: Key(KEYS[17].octets + b"\0", 17),
        "changed": lambda: setattr(KEYS[17], "octets", b""),
        "as JSON": lambda: json.dumps(dict.fromkeys("a", KEYS[17])),
        "added": lambda: KEYS[17] + 1,  # type: ignore[operator]
        "as a number": lambda: f"{KEYS[17]:x}",
    }


@pytest.mark.parametrize("name", _refusals())
def test_no_error_holds_an_octet_of_a_key(name: str) -> None:
    with pytest.raises(Exception) as caught:
        _refusals()[name]()
    error: BaseException | None = caught.value
    texts = ["".join(traceback.format_exception(caught.value))]
    while error is not None:
        texts += [str(error), repr(error), repr(error.args), repr(vars(error))]
        error = error.__cause__ or error.__context__
    if isinstance(caught.value, ullage.UllageError):
        texts.append(pickle.dumps(caught.value).decode("latin-1"))
    own = [text for text in texts if found(text)]
    assert not own
