"""The emitted module of a sealed protocol: what an integrator reads, imports and types, and that no key shows."""

from __future__ import annotations

import ast
import copy
import dataclasses
import io
import itertools
import pickle
import subprocess
import sys
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import pytest

import ullage
from support.python_module_end import module_of
from support.sealed_specs import CRC, HISTORY, SEALED, orchard
from ullage.seal import Key, masking
from ullage_codegen.python.module import emitted_python

KEY = bytes(range(0x30, 0x40))
VALUES = {"destination": 1, "sensor": 0, "distance": "no_echo", "battery": 3.71}


class Counter:
    """Numbers from 1 on."""

    def __init__(self) -> None:
        self.numbers = itertools.count(1)

    def take(self) -> int:
        return next(self.numbers)


@pytest.fixture
def module(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The orchard's module."""
    made = module_of(ullage.loads(orchard()))
    monkeypatch.setitem(sys.modules, "garden_frames", made)
    return made


def opened(module: Any) -> Any:
    octets = module.Sender(17, {17: KEY}, Counter()).encode("report", VALUES)
    return module.Receiver({17: KEY}).decode(octets, at=1)


def test_a_message_of_an_opened_frame_says_so_and_is_else_like_any_other(module: Any) -> None:
    message = opened(module)
    assert (message.counter, message.sealed, module.counter_of(message)) == (1, True, 1)
    made = module.Report(destination=1, source=17, sequence=1, sensor=0, distance="no_echo", battery=3.71)
    assert message == made
    assert (hash(message), repr(message)) == (hash(made), repr(made))
    assert (made.counter, made.sealed) == (None, False)
    assert module.values(message) == message.as_dict() == dataclasses.asdict(message)
    assert [field.name for field in dataclasses.fields(message)] == list(module.values(message))


def test_the_counter_goes_with_a_copy_and_a_pickle_and_not_with_a_changed_message(module: Any) -> None:
    message = opened(module)
    module.Report.__module__ = "garden_frames"
    assert pickle.loads(pickle.dumps(message)).counter == 1
    assert copy.copy(message).counter == copy.deepcopy(message).counter == 1
    changed = dataclasses.replace(message, battery=4.0)
    assert (changed.counter, changed.sealed) == (None, False)


def test_a_sender_takes_a_message_as_well_as_a_name_and_values(module: Any) -> None:
    sent = module.Report(source=17, sequence=0, **VALUES)
    by_name = module.Sender(17, {17: KEY}, Counter()).encode("report", VALUES)
    assert module.Sender(17, {17: KEY}, Counter()).encode(sent) == by_name
    assert module.Sender(17, {17: KEY}, Counter()).encode(opened(module)) == by_name
    plain = module.Lid(destination=1, source=17, sequence=5, lid_open=True)
    assert module.Sender(17, {}, Counter()).encode(plain) == plain.encode()


def test_a_message_with_lists_goes_there_and_back() -> None:
    terrace = module_of(ullage.loads(HISTORY + CRC))
    readings = (terrace.HistoryReadings(level=5, ok=True), terrace.HistoryReadings(level="no_echo", ok=False))
    sent = terrace.History(destination=1, source=17, sequence=0, lid="shut", readings=readings, more=None)
    message = terrace.Receiver({17: KEY}).decode(terrace.Sender(17, {17: KEY}, Counter()).encode(sent))
    assert (message.readings, message.more, message.counter, message.sealed) == (readings, None, 1, True)
    assert terrace.values(message) == message.as_dict()
    assert "_counter" not in message.as_dict()


def test_only_a_sender_makes_a_sealed_frame(module: Any) -> None:
    with pytest.raises(
        module.EncodeError, match="report is sealed; only a Sender, which owns the counter, makes it"
    ) as error:
        module.encode("report", {})
    assert error.value.help == "Sender(station, keys, counter).encode(frame, values)"
    assert not hasattr(module.Report, "encode")
    assert hasattr(module.Lid, "encode")


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        (None, "keys are a NoneType; give station -> octets, None -> the group's"),
        ([KEY], "keys are a list; give station -> octets, None -> the group's"),
        ({KEY: 17}, "a bytes is no station; give station -> octets, None -> the group's"),
        ({"17": KEY}, "a str is no station; give station -> octets, None -> the group's"),
        ({True: KEY}, "a bool is no station; give station -> octets, None -> the group's"),
        ({17: KEY.hex()}, "the key of station 17 is a str; give 16 octets"),
        ({17: KEY[:-1]}, "the key of station 17 has 15 octets; this spec's keys have 16"),
        ({None: KEY * 2}, "the key of the group has 32 octets; this spec's keys have 16"),
        ({17: b"x"}, "the key of station 17 has 1 octet; this spec's keys have 16"),
    ],
    ids=str,
)
def test_what_is_no_key_is_said_in_one_sentence_without_the_key(module: Any, keys: Any, said: str) -> None:
    for make, arguments in ((module.Receiver, (keys,)), (module.Sender, (17, keys, Counter()))):
        with pytest.raises(module.SealError) as error:
            make(*arguments)
        assert str(error.value) == said
        assert not masking.traces(said, [Key(KEY, 17)])


@pytest.mark.parametrize("start", [-1, 1.0, True, None, "1"])
def test_a_number_to_begin_from_is_a_whole_number(module: Any, start: Any) -> None:
    with pytest.raises(module.SealError, match=r"^from_counter is a whole number from 0$"):
        module.Receiver({}, start)


def test_nothing_that_holds_a_key_prints_pickles_or_copies_it(module: Any) -> None:
    receiver, sender = module.Receiver({17: KEY}), module.Sender(17, {17: KEY}, Counter())
    shown = [repr(receiver), str(sender), f"{vars(receiver)} {vars(sender)}", repr(receiver._ciphers[17])]
    shown += [repr(vars(receiver._ciphers[17])), repr(receiver.saved())]
    assert not masking.traces("\n".join(shown), [Key(KEY, 17)])
    assert KEY not in "\n".join(shown).encode("latin-1", "replace")
    for holder in (receiver, sender):
        with pytest.raises(TypeError):
            pickle.dumps(holder)
        with pytest.raises(TypeError):
            copy.deepcopy(holder)


def test_the_package_is_asked_for_only_when_there_are_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(sys.modules):
        if name.split(".")[0] == "cryptography":
            monkeypatch.setitem(sys.modules, name, None)
    made = module_of(ullage.loads(orchard()))
    plain = made.Lid(destination=1, source=17, sequence=5, lid_open=True)
    assert made.decode(plain.encode()) == plain
    assert made.Receiver({}).decode(plain.encode()) == plain
    text = "^sealed frames need the package cryptography; pip install cryptography gets it$"
    with pytest.raises(ImportError, match=text):
        made.Receiver({17: KEY})


@pytest.mark.parametrize("name", SEALED)
def test_the_example_at_the_top_runs(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    protocol = ullage.loads(SEALED[name])
    made = module_of(protocol)
    monkeypatch.setitem(sys.modules, f"{protocol.name}_frames", made)
    lines = [line[4:] for line in (made.__doc__ or "").splitlines() if line.startswith("    ")]
    said = io.StringIO()
    assert protocol.seal is not None
    with redirect_stdout(said):
        exec("\n".join(lines), {"key": bytes(range(protocol.seal.key_bits // 8)), "counter": Counter()})
    assert said.getvalue().strip()
    assert "no_key" not in said.getvalue()


def test_a_module_without_sealed_frames_has_nothing_of_it() -> None:
    text = emitted_python(ullage.loads(orchard().split("[seal]")[0].replace(", counter_bits = 32", "") + CRC), "x").text
    for word in ("Sender", "Receiver", "opener", "cryptography", "SealError", "_counter", "sealed:"):
        assert word not in text


WILD = (
    """
[protocol]
name = "key"
[header]
field = [
  { name = "message", kind = "message", bits = 8 },
  { name = "counter", kind = "source", bits = 8 }, { name = "sealed", kind = "sequence", bits = 32 },
]
"""
    + "".join(
        f"""[[frame]]
name = "{name}"
message = {code}
field = [
  {{ name = "property", kind = "count", bits = 8 }}, {{ name = "opener", kind = "text", octets = 2 }},
  {{ name = "octets", kind = "octets", octets = 2 }}, {{ name = "number", kind = "flag" }},
  {{ name = "body", kind = "count", range = [1, 9] }}, {{ name = "window", kind = "binary32", unit = "" }},
]
"""
        for code, name in enumerate(
            ("sender", "receiver", "counter", "keys", "seal_error", "import_error", "status"), 1
        )
    )
    + """[[frame]]
name = "bare"
message = 9
field = [ { name = "property", kind = "count", bits = 8 } ]
[seal]
frames = ["sender", "receiver", "counter", "keys", "seal_error", "import_error"]
nonce = ["counter", "sealed"]
network = 0
hub = 1
interval = "1 h"
service_life = "1 years"
"""
)
"""Names that a careless module would trip over."""

NAMED = (
    WILD.replace('name = "counter", kind = "source"', 'name = "who", kind = "source"')
    .replace('name = "sealed", kind', 'name = "seq", kind')
    .replace('["counter", "sealed"]', '["who", "seq"]')
    .replace('"key"', '"wild"')
)


@pytest.mark.parametrize("text", [WILD, NAMED], ids=["taken", "free"])
def test_no_name_of_a_spec_breaks_the_module(text: str) -> None:
    protocol = ullage.loads(text)
    made = module_of(protocol)
    assert made.FRAMES["sender"].__name__ == "SenderFrame"
    assert made.FRAMES["keys"].__name__ == "KeysFrame"
    for name in ("receiver", "seal_error", "counter"):
        values = {"property": 5, "opener": "ab", "octets": b"\1\2", "number": True, "body": 4, "window": 1.5}
        octets = made.Sender(17, {17: KEY}, Counter()).encode(name, values)
        message = made.Receiver({17: KEY}).decode(octets)
        assert made.counter_of(message) == 1
        assert made.values(message) == ullage.Receiver(protocol, {17: Key(KEY, 17)}).decode(octets).values
        if text is NAMED:
            assert (message.counter, message.sealed) == (1, True)
        else:
            assert (message.counter, message.sealed) == (17, 1)


FILES = {"garden": orchard(), "terrace": HISTORY + CRC, "key": WILD, "wild": NAMED}

USE = """
import garden_frames as garden

def both(counter: garden.Counter, keys: dict[int, bytes]) -> None:
    octets: bytes = garden.Sender(17, keys, counter).encode("report", {"destination": 1})
    message = garden.Receiver(keys).decode(octets, at=1)
    if message.sealed and isinstance(message, garden.Report) and message.counter is not None:
        number: int = message.counter
        message.encode()
"""


def write_all(folder: Path) -> list[str]:
    for text in FILES.values():
        made = emitted_python(ullage.loads(text), "test.toml")
        (folder / made.file_name).write_text(made.text, encoding="ascii")
    return [f"{name}_frames.py" for name in FILES]


def test_the_files_pass_the_type_checker_and_tell_users_their_slips(tmp_path: Path) -> None:
    names = write_all(tmp_path)
    (tmp_path / "use.py").write_text(USE, encoding="ascii")
    command = [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path / "cache"), *names, "use.py"]
    made = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    lines = made.stdout.splitlines()
    assert len(lines) == 2, made.stdout
    assert lines[0].startswith('use.py:9: error: "Report" has no attribute "encode"')


@pytest.mark.parametrize("target", ["py39", "py313"])
def test_the_files_pass_the_linter_as_it_comes(tmp_path: Path, target: str) -> None:
    write_all(tmp_path)
    command = [sys.executable, "-m", "ruff", "check", "--isolated", "--no-cache", "--target-version", target, "."]
    made = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stdout


def test_the_files_have_the_syntax_of_python_3_9() -> None:
    for text in FILES.values():
        ast.parse(emitted_python(ullage.loads(text), "x").text, feature_version=(3, 9))


def test_the_text_is_the_same_each_time_and_plain_ascii() -> None:
    one, other = (emitted_python(ullage.loads(orchard()), "x").text for _ in range(2))
    assert one == other
    assert one.isascii()
