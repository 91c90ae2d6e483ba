"""The emitted JavaScript module: its manual runs, old engines take it, nothing breaks out; TS013, --verify."""

from __future__ import annotations

import json
import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import ullage
from support.ends import need
from support.javascript_end import JavaScriptEnd
from support.tiny import load, tiny
from ullage.words.samples import sample
from ullage_codegen.javascript import module as javascript
from ullage_codegen.javascript.literal import literal
from ullage_codegen.javascript.module import emit_javascript, emitted_javascript
from ullage_codegen.sheet.html import sheet_html
from ullage_codegen.sheet.model import model
from ullage_codegen.verify import verify

SPEC_FOLDER = Path(__file__).parents[2] / "spec"
SPEC = (SPEC_FOLDER / "orchard.toml").read_text(encoding="utf-8")
SHIPPED = sorted(SPEC_FOLDER.rglob("*.toml"))
SOUND = bytes.fromhex("2101110009 03d87933d7")
LATER = (
    "delete globalThis.BigInt; delete String.prototype.padStart; delete String.prototype.padEnd; delete Object.values;"
    "delete Object.entries; delete Array.prototype.includes; delete Array.prototype.flat; delete Array.prototype.at;"
    "delete String.prototype.replaceAll; delete Object.fromEntries; delete String.prototype.matchAll;"
)
"""What ECMAScript 2015 does not have (ECMA-262, later editions)."""


@pytest.fixture(autouse=True)
def _node() -> None:
    need("node")


def orchard(text: str = SPEC) -> str:
    return emit_javascript(ullage.loads(text), "orchard.toml")


def node(*arguments: str, program: str = "", folder: Path | None = None) -> str:
    command = ["node", *arguments]
    made = subprocess.run(command, input=program, capture_output=True, text=True, check=False, cwd=folder)
    assert made.returncode == 0, made.stderr[-3000:]
    return made.stdout


def manual(text: str) -> str:
    """The lines of code in the manual at the top."""
    head = text[: text.index("*/")]
    lines = [line.removeprefix(" *             ") for line in head.splitlines() if line.startswith(" *             ")]
    return "\n".join(line for line in lines if not line.startswith("takes a plain"))


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_manual_at_the_top_runs_as_it_stands(path: Path, tmp_path: Path) -> None:
    """As a user's own module that imports the file; what it sends is what Python sends."""
    protocol = ullage.load(path)
    file = emitted_javascript(protocol, path.name)
    (tmp_path / file.file_name).write_text(file.text, encoding="ascii")
    layout = next((layout for layout in protocol.frames.values() if layout.sealing is None), None)
    if layout is None:
        pytest.skip("every frame is sealed: nothing to send without a key")
    station = sample(layout).get(protocol.destination_slot.name) if protocol.destination_slot else None
    program = (
        "const said = []; const radioSend = (octets) => said.push(Array.from(octets));"
        "const got = (frame, values) => said.push(frame); const refused = (reason, text) => said.push(reason, text);"
        f"const myStation = {json.dumps(station)};\n{manual(file.text)}\nconsole.log(JSON.stringify(said));"
    )
    (tmp_path / "user.mjs").write_text(program.replace("import { decode }", "\nimport { decode }"), encoding="ascii")
    octets = protocol.encode(layout.name, sample(layout))
    assert json.loads(node("user.mjs", folder=tmp_path)) == [list(octets), layout.name]


def test_the_text_is_the_same_each_time_ascii_and_has_one_export_at_its_end() -> None:
    text = orchard()
    assert text == orchard()
    assert text.isascii()
    assert [line for line in text.splitlines() if line.startswith("export")] == [text.splitlines()[-1]]
    assert " * Fingerprint 0bbb68c62f50fdba. Both ends must show the same one.\n" in text
    assert f" * Written by ullage {ullage.__version__} from orchard.toml. Do not edit" in text
    assert "/* ---- level_report: One reading of one sensor (10 octets) ----" in text
    assert "bit   43   13  measure     distance       250..6000 mm by 1 mm, or no_echo, too_close" in text


def test_an_engine_of_2015_runs_it_as_a_plain_script() -> None:
    """Without the export, as servers with an engine of their own take it, and without what came after 2015."""
    text = orchard().rsplit("export", 1)[0]
    program = (
        "const vm = require('vm'); const { text, later, call } = JSON.parse(require('fs').readFileSync(0, 'utf8'));"
        "const context = vm.createContext({}); vm.runInContext(later, context); vm.runInContext(text, context);"
        "process.stdout.write(vm.runInContext(call, context));"
    )
    call = f"JSON.stringify(encodeDownlink(decodeUplink({{ bytes: {list(SOUND)}, fPort: 2 }})))"
    said = node("-e", program, program=json.dumps({"text": text, "later": LATER, "call": call}))
    assert json.loads(said) == {"bytes": list(SOUND), "fPort": 1}


def test_a_parser_of_2015_takes_it() -> None:
    """The parser that Node carries, told to know the sixth edition alone."""
    parser = "require('internal/deps/acorn/acorn/dist/acorn')"
    check = ["--expose-internals", "-e"]
    there = subprocess.run(["node", *check, parser], capture_output=True, check=False).returncode == 0
    if not there:
        if os.environ.get("CI"):
            pytest.fail("this Node carries no parser")
        pytest.skip("this Node carries no parser")
    parse = (
        f"const parser = {parser}; const text = require('fs').readFileSync(0, 'utf8');"
        "const took = (one) => { try { parser.parse(one, { ecmaVersion: 6, sourceType: 'module' }); return true; }"
        " catch (error) { return String(error); } };"
        "console.log(JSON.stringify([took(text), took('a ** b'), took('const a = { ...b };'), took('1n')]));"
    )
    taken, *later = json.loads(node(*check, parse, program=orchard()))
    assert taken is True
    assert all(one is not True for one in later)


@pytest.mark.parametrize(
    "nasty", ["*/ throw 1; /*", "</script><script>throw 1</script>", "<!-- --> \\u002a/", "`${x}`"]
)
def test_words_of_a_spec_cannot_break_out(nasty: str) -> None:
    text = tiny('name = "a", kind = "measure", unit = "</script", range = [0, 9], step = 1')
    text = text.replace('"tiny"', f'"tiny"\nsummary = {json.dumps(nasty)}').replace(
        'name = "a"\n', f'name = "a"\nsummary = {json.dumps(nasty)}\n', 1
    )
    protocol = ullage.loads(text)
    assert not re.search(r"</|<!--|-->|<script", emit_javascript(protocol, nasty), re.IGNORECASE)
    end = JavaScriptEnd(protocol)
    end.text = emit_javascript(protocol, nasty)
    answer = end.decode([(b"\x30", None)])[0]
    assert (answer["values"], answer["cells"][0]["reading"]) == ({"a": 3}, "3 </script")


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_sheet_runs_the_very_text_that_is_emitted(path: Path) -> None:
    protocol = ullage.load(path)
    page = sheet_html(model(protocol, path.name, path.read_bytes()))
    assert f'<script type="module">{emit_javascript(protocol, path.name)}' in page


def test_names_that_every_object_has_are_plain_names_here() -> None:
    """No value and no code is found where none was given."""
    protocol = load(
        'name = "mode", kind = "code", codes = { constructor = 0, default = 1 }',
        'name = "mark", kind = "measure", unit = "", range = [0, 9], step = 1, special = ["constructor"]',
    )
    values = {"mode": "constructor", "mark": "constructor"}
    octets = protocol.encode("a", values)
    end = JavaScriptEnd(protocol)
    answer = end.decode([(octets, None)])[0]
    assert answer["values"] == {"mode": "constructor", "mark": {"special": "constructor"}}
    wrong: list[tuple[str, Any]] = [
        ("a", {**values, "constructor": 1}),
        ("constructor", {}),
        ("a", {**values, "mark": "toString"}),
        ("a", {**values, "mode": "valueOf"}),
        ("a", {"mode": "default", "__proto__x": 1}),
    ]
    answers = end.encode([("a", values), *wrong])
    assert answers[0] == {"octets": octets.hex()}
    assert [one["field"] for one in answers[1:]] == ["constructor", None, "mark", "mode", "mark"]


def test_what_is_no_octets_and_no_station_is_the_callers_fault() -> None:
    program = """
const said = (call) => { try { return call().reason; } catch (error) { return error.constructor.name; } };
const odd = [null, undefined, 1, "2101", {}, [300], [1.5], ["1"], [-1], { length: 3 }, [, 1]];
const answers = [
  odd.map((one) => said(() => decode(one))),
  [-1, 256, 1.5, NaN, "x", {}, true].map((at) => said(() => decode([], at))),
  [[], new Uint8Array(3), Array(256).fill(0), new Uint8Array(1000)].map((one) => said(() => decode(one, 255))),
];
"""
    answers = JavaScriptEnd(ullage.loads(SPEC)).run(program)
    assert answers == [["TypeError"] * 11, ["RangeError"] * 7, ["too_short", "too_short", "too_long", "too_long"]]


def test_an_encode_error_says_where_and_which_status() -> None:
    program = """
const fault = (values) => { try { encode("level_report", values); } catch (error) { return error; } };
const good = { destination: 1, source: 17, sequence: 9, sensor: 0, distance: 1234, battery: 3.21 };
const faults = [{ distance: 7000 }, { distance: "no_ecko" }].map((one) => fault(Object.assign({}, good, one)));
const answers = faults.concat([fault({})]).map((one) => [
  one.name, one.message, one.frame, one.field, one.status, one.number, one instanceof Error]);
"""
    answers = JavaScriptEnd(ullage.loads(SPEC)).run(program)
    fits = "250..6000 mm by 1 mm, or no_echo, too_close"
    where = ["level_report", "distance"]
    needs = "level_report needs destination, source, sequence, sensor, distance, battery"
    assert answers == [
        ["EncodeError", f"distance: 7000 is outside {fits}", *where, "out_of_range", 32, True],
        ["EncodeError", f"distance: 'no_ecko' is no number; {fits}", *where, None, None, True],
        ["EncodeError", needs, "level_report", "destination", None, None, True],
    ]


def test_octets_may_be_an_array_and_what_is_undefined_is_left_out() -> None:
    protocol = load(
        'name = "n", kind = "count", bits = 8',
        'name = "marks", kind = "list", counted_by = "n", at_most = 3, field = ['
        ' { name = "mark", kind = "octets", octets = 2 } ]',
    )
    program = """
const marks = [{ mark: [1, 2] }, { mark: new Uint8Array([3, 4]) }, { mark: "05 06" }];
const holes = [, { mark: "0102" }];
const written = (values) => hexOf(Array.from(encode("a", values)));
const said = (values) => { try { return written(values); } catch (error) { return error.message; } };
const answers = [said({ n: undefined, marks }), said({ marks: undefined }), said({ marks: holes })];
"""
    assert JavaScriptEnd(protocol).run(program) == [
        "03010203040506",
        "a needs marks",
        "marks[0]: undefined; give name -> value",
    ]


TS013 = """
const sound = %s;
const downlink = encodeDownlink({ data: { frame: "valve_order", values: { destination: 17, source: 1, sequence: 7,
  order: 3, valve: "half", expires: 600 } } });
const answers = {
  up: decodeUplink({ bytes: sound, fPort: 2, recvTime: new Date(0) }),
  plain: decodeUplink({ bytes: Uint8Array.from(sound) }),
  damaged: decodeUplink({ bytes: sound.slice(0, 9).concat([0]), fPort: 2 }),
  odd: [undefined, null, 1, "x", {}, { bytes: null }, { bytes: [256] }, { bytes: "2101" }].map(decodeUplink),
  down: downlink,
  back: decodeDownlink(downlink),
  again: encodeDownlink(decodeDownlink(downlink)),
  wrong: encodeDownlink({ data: { frame: "valve_order", values: { destination: 999, source: 1, sequence: 7, order: 3,
    valve: "half", expires: 600 } } }),
  missing: encodeDownlink({ data: { frame: "valve_order", values: {} } }),
  unknown: [undefined, null, {}, { data: null }, { data: 3 }, { data: { frame: 3 } },
    { data: { frame: "valve_order" } }].map((one) => encodeDownlink(one)),
};
"""


def test_the_functions_of_ts013_have_their_shapes_and_never_throw() -> None:
    """LoRa Alliance TS013-1.0.0, "Payload Codec API"; its shapes as publicly documented, second-hand."""
    protocol = ullage.loads(SPEC)
    said = JavaScriptEnd(protocol).run(TS013 % list(SOUND))
    values = {"destination": 1, "source": 17, "sequence": 9, "sensor": 0, "distance": 1234, "battery": 3.21}
    assert said["up"] == said["plain"] == {"data": {"frame": "level_report", "values": values}}
    assert said["damaged"] == {"errors": ["integrity: the CRC is 3300, these 8 octets give 33d7"]}
    none, no_octets = "the input has no bytes", "no octets: give a Uint8Array, or an array of whole numbers 0..255"
    assert said["odd"] == [{"errors": [text]} for text in [none] * 6 + [no_octets] * 2]
    order = {"destination": 17, "source": 1, "sequence": 7, "order": 3, "valve": "half", "expires": 600}
    assert said["down"] == said["again"] == {"bytes": list(protocol.encode("valve_order", order)), "fPort": 1}
    assert said["back"] == {"data": {"frame": "valve_order", "values": order}}
    assert said["wrong"] == {"errors": ["out_of_range: destination: 999 is outside 0..255"]}
    assert said["missing"]["errors"][0].startswith("valve_order needs destination")
    assert all(list(one) == ["errors"] and len(one["errors"]) == 1 for one in said["unknown"])


def test_octets_that_are_no_frame_give_their_reason() -> None:
    program = """
const lengths = Array.from({ length: 300 }, (_, count) => Array(count).fill(count % 256));
const answers = lengths.map((bytes) => decodeUplink({ bytes }).errors[0].split(":")[0]);
"""
    answers = JavaScriptEnd(ullage.loads(SPEC)).run(program)
    assert answers == ["too_short"] * 7 + ["integrity"] * 249 + ["too_long"] * 44


VERDICTS: list[tuple[str, Callable[[str], str], bool, str]] = [
    ("the same", lambda text: text, False, "the same as would be emitted now"),
    ("code", lambda text: text.replace('poly: "1021"', 'poly: "1023"'), True, "the code differs: emit again"),
    (
        "engine",
        lambda text: text.replace("MOST_OCTETS = 255", "MOST_OCTETS = 256"),
        True,
        "the code differs: emit again",
    ),
    ("not ours", lambda _: "export const a = 1;\n", True, "no file of ours"),
]


@pytest.mark.parametrize(("change", "finding", "said"), [one[1:] for one in VERDICTS], ids=[one[0] for one in VERDICTS])
def test_verify_tells_a_changed_file(change: Callable[[str], str], finding: bool, said: str) -> None:
    verdict = verify(change(orchard()), orchard())
    assert verdict.finding is finding
    assert said in verdict.lines[0]


def test_another_tool_version_alone_is_no_finding_but_a_note(monkeypatch: pytest.MonkeyPatch) -> None:
    new = orchard()
    monkeypatch.setattr(javascript, "__version__", "0.0.1")
    verdict = verify(orchard(), new)
    assert not verdict.finding
    assert verdict.lines == (f"the same but for the tool's version: 0.0.1, now {ullage.__version__}",)


def test_verify_names_the_fields_that_another_spec_changed() -> None:
    changed = SPEC.replace("step = 0.01, clamp", "step = 0.02, clamp").replace(
        'name = "acknowledgement"', 'name = "answer"'
    )
    verdict = verify(orchard(), orchard(changed))
    assert verdict.finding
    assert "is of another spec" in verdict.lines[0]
    assert verdict.lines[1:] == (
        "level_report: - bit 56 8 measure battery 2..4.5 V by 0.01 V, zero 2",
        "level_report: + bit 56 7 measure battery 2..4.5 V by 0.02 V, zero 2",
        "level_report: + bit 63 1 fill always 0",
        "acknowledgement: no longer there",
        "answer: new",
    )


def test_a_literal_is_read_back_as_the_same_data() -> None:
    values: list[Any] = [
        {"a": [1, "</script>", None, True]},
        [[], {}, [1, 2], -0.5],
        '\u2028\u2029\x7f"\\é<!--',
        {"a b": {"entries": [{"a": 1}]}, "9": "-->"},
    ]
    texts = [literal(value, deep) for value in values for deep in (0, 1, 3)]
    assert all(text.isascii() and not re.search("[<>]", text) for text in texts)
    read = json.loads(node("-e", f"process.stdout.write(JSON.stringify([{','.join(texts)}]))"))
    assert read == [value for value in values for _ in range(3)]
