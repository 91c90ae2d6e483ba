"""The emitted Python module: what an integrator reads, imports and types."""

import ast
import dataclasses
import importlib
import io
import pickle
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import pytest

import ullage
from support.python_module_end import module_of
from support.varied import CRC, HISTORY, UART, VALUES
from ullage.crc import Crc, by_name
from ullage_codegen.python import module as python_module
from ullage_codegen.python.module import emitted_python
from ullage_codegen.verify import verify

SPECS = Path(__file__).parents[2] / "spec"
SPEC = (SPECS / "orchard.toml").read_text(encoding="utf-8")
REPORT = {"destination": 1, "source": 17, "sequence": 9, "sensor": 0, "distance": "no_echo", "battery": 3.71}


def emitted(text: str = SPEC) -> str:
    return emitted_python(ullage.loads(text), "orchard.toml").text


@pytest.fixture
def orchard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """The orchard's module, imported from its file as on a gateway."""
    (tmp_path / "orchard_frames.py").write_text(emitted(), encoding="ascii")
    monkeypatch.syspath_prepend(str(tmp_path))
    yield importlib.import_module("orchard_frames")
    del sys.modules["orchard_frames"]


def test_the_file_is_named_after_the_protocol() -> None:
    assert emitted_python(ullage.loads(SPEC), "x.toml").file_name == "orchard_frames.py"


@pytest.mark.parametrize("name", ["message", "octets", "refused"])
def test_the_example_runs_whatever_the_protocol_is_called(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    protocol = ullage.loads(SPEC.replace('"orchard"', f'"{name}"'))
    runs_its_example(protocol, monkeypatch)


def test_a_message_is_written_and_read_as_the_toolkit_does(orchard: Any) -> None:
    octets = orchard.LevelReport(**REPORT).encode()
    assert octets == ullage.loads(SPEC).encode("level_report", REPORT)
    message = orchard.decode(octets, at=1)
    assert isinstance(message, orchard.LevelReport)
    assert (message.frame, message.distance, message.battery) == ("level_report", "no_echo", 3.71)
    assert message.as_dict() == orchard.values(message) == REPORT
    assert orchard.encode(orchard.frame_of(message), message.as_dict()) == octets
    assert orchard.FRAMES["level_report"] is orchard.LevelReport
    assert (orchard.NAME, orchard.REVISION) == ("orchard", 1)
    assert ullage.loads(SPEC).fingerprint == orchard.FINGERPRINT


def test_messages_are_frozen_dataclasses(orchard: Any) -> None:
    message = orchard.LevelReport(**REPORT)
    assert [field.name for field in dataclasses.fields(message)] == list(REPORT)
    assert dataclasses.asdict(message) == REPORT
    assert message == orchard.LevelReport(**REPORT)
    assert hash(message) == hash(orchard.LevelReport(**REPORT))
    assert dataclasses.replace(message, sensor=3).sensor == 3
    assert repr(message).startswith("LevelReport(destination=1, source=17, ")
    with pytest.raises(dataclasses.FrozenInstanceError):
        message.sensor = 3
    with pytest.raises(TypeError):
        orchard.LevelReport(destination=1)


def test_messages_and_errors_travel_between_processes(orchard: Any) -> None:
    message = orchard.LevelReport(**REPORT)
    assert pickle.loads(pickle.dumps(message)) == message
    with pytest.raises(orchard.Refused) as refused:
        orchard.decode(b"\0" * 10)
    again = pickle.loads(pickle.dumps(refused.value))
    assert (again.reason, again.number, str(again)) == ("integrity", 3, str(refused.value))
    with pytest.raises(orchard.EncodeError) as error:
        orchard.LevelReport(**{**REPORT, "distance": 9999}).encode()
    again = pickle.loads(pickle.dumps(error.value))
    assert (again.status, again.number, again.field, again.frame) == ("out_of_range", 32, "distance", "level_report")
    assert str(again) == str(error.value)
    assert issubclass(orchard.EncodeError, ValueError)


def test_counts_and_flags_follow_and_are_filled_when_read() -> None:
    module = module_of(ullage.loads(HISTORY + CRC))
    readings = (module.HistoryReadings(level=1233, ok=True), module.HistoryReadings(level="no_echo", ok=False))
    extra = module.HistoryExtra(t=21.5, cal=3.5, runs=(module.HistoryExtraRuns(secs=5),))
    sent = module.History(source=17, sequence=9, lid="open", readings=readings, extra=extra, last=6)
    assert sent.number is None
    octets = sent.encode()
    assert octets == ullage.loads(HISTORY + CRC).encode("history", VALUES)
    got = module.decode(octets)
    assert (got.number, got.has_extra, got.extra.n, got.readings) == (2, True, 1, readings)
    assert got.encode() == octets
    assert sent.as_dict() == VALUES
    with pytest.raises(module.EncodeError, match="number is 3, and what is given makes 2"):
        dataclasses.replace(sent, number=3).encode()


class One:
    """A counter that hands out one number."""

    def take(self) -> int:
        return 1


def runs_its_example(protocol: ullage.Protocol, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run the example at the top of a module, with key and counter where it seals; it must print something."""
    module = module_of(protocol)
    monkeypatch.setitem(sys.modules, f"{protocol.name}_frames", module)
    lines = [line[4:] for line in (module.__doc__ or "").splitlines() if line.startswith("    ")]
    said = io.StringIO()
    with redirect_stdout(said):
        exec("\n".join(lines), {"key": bytes(range(0x30, 0x40)), "counter": One()})
    assert said.getvalue().strip()


@pytest.mark.parametrize("path", sorted(SPECS.rglob("*.toml")), ids=lambda path: path.stem)
def test_the_example_at_the_top_runs(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    runs_its_example(ullage.load(path), monkeypatch)


def test_the_text_is_the_same_each_time_and_plain_ascii() -> None:
    assert emitted() == emitted()
    assert emitted(SPEC.replace('unit = "mm"', 'unit = "µm"')).isascii()


def test_the_toolkit_is_not_needed_and_only_used_parts_are_there() -> None:
    tree = ast.parse(emitted())
    modules = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    modules |= {str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {module.split(".")[0] for module in modules} <= sys.stdlib_module_names
    assert "class _Walk" not in emitted()
    assert "_Binary32" not in emitted()
    assert "class _Walk" in emitted(HISTORY)


WILD = """
[protocol]
name = "farm"
[header]
field = [{ name = "message", kind = "message", bits = 8 }, { name = "l", kind = "destination", bits = 8 }]
[[frame]]
name = "refused"
message = 1
field = [
  { name = "self", kind = "count", bits = 8 }, { name = "encode", kind = "count", range = [1, 9] },
  { name = "frame", kind = "flag" }, { name = "values", kind = "measure", unit = "m", range = [0, 1], step = 0.1 },
  { name = "as_dict", kind = "text", octets = 2 }, { name = "str", kind = "text", octets = 2 },
  { name = "bytes", kind = "octets", octets = 2 }, { name = "tuple", kind = "count", bits = 8 },
  { name = "dict", kind = "code", codes = { self = 0, str = 1 } }, { name = "type", kind = "count", bits = 8 },
  { name = "list", kind = "list", counted_by = "tuple", at_most = 2, field = [
    { name = "decode", kind = "flag" }, { name = "items", kind = "count", bits = 7 } ] },
  { name = "object", kind = "group", when = "frame", field = [{ name = "slots", kind = "count", bits = 8 }] },
]
[[frame]]
name = "n_a_m_e"
message = 2
field = [
  { name = "word", kind = "count", range = [1, 9] },
  { name = "raw", kind = "measure", unit = "", range = [0, 9], step = 1, special = ["raw"] },
  { name = "count", kind = "code", codes = { at = 0, count = 1 } }, { name = "at", kind = "count", range = [1, 3] },
  { name = "to", kind = "count", bits = 3 }, { name = "value", kind = "text", octets = 2 },
  { name = "given", kind = "binary32", unit = "" }, { name = "body", kind = "count", bits = 8 },
  { name = "steps", kind = "measure", unit = "m", range = [-4, 3], zero = 0, step = 1, special = ["none"] },
  { name = "isinstance", kind = "measure", unit = "m", range = [-4, 2], zero = 0, step = 0.5 },
]
[[frame]]
name = "i"
message = 3
field = [{ name = "cls", kind = "count", bits = 8 }, { name = "any", kind = "text", octets = 1 }]
""" + "".join(
    f'[[frame]]\nname = "{name}"\nmessage = {code}\nfield = [{{ name = "len", kind = "count", bits = 8 }}]\n'
    for code, name in enumerate(("encode_error", "message", "value_error", "mapping", "literal", "optional"), 4)
)
"""Names that a careless module would trip over; frames called like its own classes."""


def test_no_name_of_a_spec_breaks_the_module() -> None:
    protocol = ullage.loads(WILD)
    module = module_of(protocol)
    assert module.FRAMES["value_error"].__name__ == "ValueErrorFrame"
    assert module.FRAMES["n_a_m_e"].__name__ == "NAMEFrame"
    for name in protocol.frames:
        octets = protocol.encode(name, ullage.words.samples.sample(protocol.frames[name]))
        message = module.decode(octets)
        assert module.values(message) == protocol.decode(octets).values
        assert module.frame_of(message) == name
        assert module.encode(name, module.values(message)) == octets
        assert type(message)(**vars(message)) == message


NASTY = (
    '\\"\\"\\" end */ # type: ignore # noqa \\u0085 \\u2028 {{ x }} {% y %} \\\\ \\u00b5m Fingerprint 0123456789abcdef'
)


@pytest.mark.parametrize("start", ["", "# mypy: ignore-errors ", "Fingerprint 0123456789abcdef. ", "bit 0 1 x ", "'"])
def test_free_text_stays_in_comments_and_docstrings(start: str) -> None:
    text = SPEC.replace('summary = "', f'summary = "{start}{NASTY}')
    clean, wild = (ast.parse(emitted(one)) for one in (SPEC, text))
    for tree in (clean, wild):
        for node in ast.walk(tree):
            if isinstance(node, ast.Module | ast.ClassDef) and ast.get_docstring(node) is not None:
                node.body = node.body[1:] or [ast.Pass()]
    assert ast.dump(wild) == ast.dump(clean)
    assert verify(emitted(text), emitted(text.replace("/* ", ""))).lines[0].startswith("the same")
    assert "is the same, the code differs" in verify(emitted(text), emitted()).lines[0]


def test_frames_whose_classes_would_be_called_the_same_are_named() -> None:
    text = SPEC.replace('"status_report"', '"level1"').replace('"valve_order"', '"level_1"')
    with pytest.raises(ullage.UllageError, match=r'^frame "level1" and frame "level_1" would both be called Level1 in'):
        emitted(text)


def test_a_list_and_a_frame_whose_classes_would_be_called_the_same_are_named() -> None:
    with pytest.raises(ullage.UllageError, match=r'"history\.readings" and frame "history_readings" would both'):
        emitted(HISTORY.replace('name = "words"\nmessage', 'name = "history_readings"\nmessage'))


def test_every_answer_of_verify_holds_for_this_file(monkeypatch: pytest.MonkeyPatch) -> None:
    new = emitted()
    assert verify(new, new).lines == ("the same as would be emitted now",)
    changed = emitted(SPEC.replace("step = 0.01, clamp", "step = 0.02, clamp"))
    other = new.replace("word >> 8 & 0x1fff", "word >> 8 & 0x1ffe")
    monkeypatch.setattr(python_module, "__version__", "0.0.1")
    older = emitted()
    assert not verify(older, new).finding
    assert verify(older, new).lines == (f"the same but for the tool's version: 0.0.1, now {ullage.__version__}",)
    assert other != new
    assert verify(other, new).finding
    assert "emit again" in verify(other, new).lines[0]
    said = "\n".join(verify(new, changed).lines)
    assert "is of another spec" in said
    assert "level_report: - bit 56 8 measure battery 2..4.5 V by 0.01 V, zero 2" in said
    assert "level_report: + bit 56 7 measure battery 2..4.5 V by 0.02 V, zero 2" in said
    assert "acknowledgement" not in said


NAMED = ["CRC-16/IBM-3740", "CRC-16/GENIBUS", "CRC-16/KERMIT", "CRC-32/ISO-HDLC", "CRC-32/JAMCRC", "CRC-32/BZIP2"]
NAMED += ["CRC-3/GSM", "CRC-5/USB", "CRC-7/MMC", "CRC-12/UMTS", "CRC-24/BLE", "CRC-64/XZ", "CRC-64/ECMA-182"]
FREE = [
    Crc(None, 16, 0x1021, 0x1234, False, False, 0x00FF),
    Crc(None, 16, 0x1021, 0, False, True, 0),
    Crc(None, 32, 0x04C11DB7, 0x12345678, True, True, 0x0F0F0F0F),
    Crc(None, 4, 3, 5, False, True, 9),
    Crc(None, 11, 0x307, 1, True, False, 3),
]


@pytest.mark.parametrize("crc", [*map(by_name, NAMED), *FREE], ids=lambda crc: crc.name or f"free-{crc.width}")
def test_each_way_to_a_crc_gives_its_check_value(crc: Crc) -> None:
    parameters = ", ".join(
        f"{name} = {str(getattr(crc, name)).lower()}" for name in ("width", "poly", "init", "refin", "refout", "xorout")
    )
    field = '[protocol]\nname = "one"\n[[frame]]\nname = "only"\nfield = [{ name = "on", kind = "count", bits = 8 }]\n'
    module = module_of(ullage.loads(f"{field}[integrity]\ncrc = {{ {parameters} }}\n"))
    for octets in (b"123456789", b"", b"\0", bytes(range(256))):
        assert module._check(octets) == crc.compute(octets)


BARE = """
[protocol]
name = "bare"
[header]
field = [{ name = "message", kind = "message", bits = 8 }]
[[frame]]
name = "hello"
message = 1
field = []
[[frame]]
name = "bye"
message = 2
field = [
  { name = "flag", kind = "count", bits = 8 },
  { name = "there", kind = "flag" },
  { name = "more", kind = "group", when = "there", field = [
    { name = "mark", kind = "constant", bits = 8, value = 1 },
  ] },
]
"""
"""A frame and a group with nothing to give."""
FILES = {"orchard": SPEC, "terrace": HISTORY + CRC, "head": UART, "farm": WILD, "bare": BARE}


def write_all(folder: Path) -> list[str]:
    for text in FILES.values():
        made = emitted_python(ullage.loads(text), "test.toml")
        (folder / made.file_name).write_text(made.text, encoding="ascii")
    return [f"{name}_frames.py" for name in FILES]


USE = """
import orchard_frames as orchard

sent = orchard.LevelReport(destination=1, source=17, sequence=9, sensor=0, distance="no_echo", battery=3)
octets: bytes = sent.encode()
message = orchard.decode(octets, at=1)
if isinstance(message, orchard.LevelReport) and message.distance != "no_echo" and message.distance != "too_close":
    doubled: int = message.distance * 2
sent.encode() + 1
"""


def test_the_files_pass_the_type_checker_and_tell_users_their_slips(tmp_path: Path) -> None:
    names = write_all(tmp_path)
    (tmp_path / "use.py").write_text(USE, encoding="ascii")
    command = [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path / "cache"), *names, "use.py"]
    made = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    lines = made.stdout.splitlines()
    assert len(lines) == 2, made.stdout
    assert lines[0].startswith("use.py:9: error: Unsupported operand types")


def test_a_frame_and_a_group_with_nothing_to_give_travel() -> None:
    module = module_of(ullage.loads(BARE))
    assert module.decode(module.Hello().encode()) == module.Hello()
    bye = module.Bye(flag=1, more=module.ByeMore())
    assert bye.encode() == ullage.loads(BARE).encode("bye", {"flag": 1, "more": {}})
    assert module.decode(bye.encode()).more == module.ByeMore()


@pytest.mark.parametrize("target", ["py39", "py310", "py313"])
def test_the_files_pass_the_linter_as_it_comes(tmp_path: Path, target: str) -> None:
    write_all(tmp_path)
    command = [sys.executable, "-m", "ruff", "check", "--isolated", "--no-cache", "--target-version", target, "."]
    made = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stdout


OLDER = """
import sys
sys.path.insert(0, ".")
import farm_frames, head_frames, orchard_frames as orchard, terrace_frames as terrace, typing, dataclasses
report = dict(destination=1, source=17, sequence=9, sensor=0, distance="no_echo", battery="3.71")
octets = orchard.LevelReport(**report).encode()
message = orchard.decode(octets, at=1)
readings = (terrace.HistoryReadings(level=5, ok=True),)
history = terrace.History(source=1, sequence=2, lid="open", readings=readings, extra=None, last=6)
assert terrace.decode(history.encode()).readings == readings
assert typing.get_type_hints(orchard.LevelReport)["battery"] is float
try:
    orchard.decode(octets[:-1])
except orchard.Refused as refused:
    print(octets.hex(), message.battery, refused.reason)
"""


def python_of(minor: int) -> str | None:
    """A Python 3 of this minor version, of the path or kept beside it by pyenv; None where there is none."""
    kept = sorted((Path.home() / ".pyenv" / "versions").glob(f"3.{minor}.*/bin/python"))
    return str(kept[-1]) if kept else shutil.which(f"python3.{minor}")


HERE = [minor for minor in range(9, 16) if python_of(minor)] or [sys.version_info.minor]


@pytest.mark.parametrize("minor", HERE)
def test_the_files_run_on_every_python_that_is_here(tmp_path: Path, minor: int) -> None:
    python = python_of(minor) or sys.executable
    write_all(tmp_path)
    made = subprocess.run([python, "-c", OLDER], cwd=tmp_path, capture_output=True, text=True, check=False)
    octets = ullage.loads(SPEC).encode("level_report", REPORT).hex()
    assert (made.stdout, made.stderr) == (f"{octets} 3.71 integrity\n", "")


def test_the_files_have_the_syntax_of_python_3_9() -> None:
    for text in FILES.values():
        ast.parse(emitted(text), feature_version=(3, 9))
