"""A header that reads an older revision too: what is refused, what it says of itself, and what it costs to have it."""

import re
import subprocess
from pathlib import Path

import pytest

import ullage
from support.ends import WARNINGS, need
from support.revised import PAIRS, fields, revision
from ullage.errors import UllageError
from ullage_codegen.c.header import answers, emit_c, model
from ullage_codegen.c.names import NameClash
from ullage_codegen.c.older import may_both_accept
from ullage_codegen.verify import verify

SPEC = (Path(__file__).parents[2] / "spec" / "orchard.toml").read_text(encoding="utf-8")
NEWER = SPEC.replace("revision = 1\n", "revision = 2\n").replace(
    '{ name = "battery", ',
    '{ name = "humidity", kind = "measure", unit = "%RH", range = [0, 100], step = 0.4 },\n  { name = "battery", ',
)


def header(newest: str = NEWER, older: str = SPEC) -> str:
    return emit_c(ullage.loads(newest), "orchard.toml", ullage.loads(older))


def test_the_same_specs_give_the_same_text() -> None:
    assert header() == header()


def test_without_an_older_revision_nothing_of_it_is_in_the_header() -> None:
    assert not re.search(r"_r1|_R1|orchard_received|MISSING|decode_any", emit_c(ullage.loads(NEWER), "orchard.toml"))


def test_both_fingerprints_are_in_the_header_the_newest_first() -> None:
    text = header()
    newest, older = ullage.loads(NEWER).fingerprint, ullage.loads(SPEC).fingerprint
    assert re.findall(r'^#define (\w+_FINGERPRINT) "(\w+)"', text, re.MULTILINE) == [
        ("ORCHARD_FINGERPRINT", newest),
        ("ORCHARD_R1_FINGERPRINT", older),
    ]
    assert text.index(f"Fingerprint {newest}") < text.index(f"fingerprint is {older}")


def test_only_the_frame_that_changed_has_a_struct_of_its_own() -> None:
    assert re.findall(r"^struct (orchard_r1_\w+) {", header(), re.MULTILINE) == [
        "orchard_r1_level_report",
        "orchard_r1_message",
    ]


def test_what_older_nodes_do_not_send_has_a_constant() -> None:
    found = re.findall(r"^#define (ORCHARD_\w+_MISSING_\w+) +(\S+)", header(), re.MULTILINE)
    assert found == [("ORCHARD_LEVEL_REPORT_MISSING_HUMIDITY", "((uint8_t)0x01u)")]


def test_nothing_writes_the_older_revision() -> None:
    assert not re.findall(r"orchard_r1_\w*(?:encode|lay|from|to)_?\w*\(", header())


def changed(old: str, new: str, text: str = NEWER) -> str:
    assert old in text
    return text.replace(old, new)


REFUSED = {
    "another protocol": (NEWER, changed('"orchard"', '"meadow"', SPEC), '"meadow" is no revision of "orchard"'),
    "the same": (SPEC, SPEC, "both specs are revision 1 of orchard, there is nothing older to read"),
    "two layouts of one number": (
        changed("revision = 2\n", "revision = 1\n"),
        SPEC,
        "revision 1 names two layouts, fingerprints [0-9a-f]{16} and [0-9a-f]{16}; raise the revision of the newer",
    ),
    "the wrong way round": (SPEC, NEWER, "revision 2 is not older than revision 1; emit from the newest spec"),
    "no frame in common": (
        revision(2, "", {"late": (0, fields('name = "on", kind = "flag"'))}),
        revision(1, "", {"early": (0, fields('name = "on", kind = "flag"'))}),
        "revision 2 has none of the frames of revision 1",
    ),
    "too many to mark": (
        revision(2, "", {"a": (0, fields(*(f'name = "f{place}", kind = "flag"' for place in range(66))))}),
        revision(1, "", {"a": (0, fields('name = "f0", kind = "flag"'))}),
        '65 fields of frame "a" can be missing when revision 1 is read, and a header has room to mark 64',
    ),
}


@pytest.mark.parametrize("why", REFUSED)
def test_what_is_no_older_revision_is_refused_in_one_sentence(why: str) -> None:
    newest, older, says = REFUSED[why]
    with pytest.raises(UllageError, match=says) as caught:
        model(ullage.loads(newest), ullage.loads(older))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("bits", [8, 9, 17, 33, 64])
def test_as_many_bits_as_are_needed_are_there(bits: int) -> None:
    added = [f'name = "f{place}", kind = "flag"' for place in range(bits)]
    newest = revision(2, "", {"a": (0, fields('name = "on", kind = "flag"', *added))})
    older = revision(1, "", {"a": (0, fields('name = "on", kind = "flag"'))})
    size = next(size for size in (8, 16, 32, 64) if bits <= size)
    assert f"    uint{size}_t missing; " in header(newest, older)
    assert len(re.findall(r"^#define TERRACE_A_MISSING_F\d+ ", header(newest, older), re.MULTILINE)) == bits


def test_a_name_that_only_the_older_part_takes_twice_is_refused_with_both_makers() -> None:
    frames = {"a": (1, fields('name = "on", kind = "flag"')), "r1_a": (2, fields('name = "on", kind = "flag"'))}
    start = '[header]\nfield = [ { name = "m", kind = "message", bits = 4 } ]\n'
    newest = ullage.loads(revision(2, start, frames))
    model(newest)
    older = ullage.loads(revision(1, start, {"a": (1, fields('name = "off", kind = "flag"'))}))
    with pytest.raises(NameClash, match='frame "r1_a" and frame "a" of revision 1 would both be called'):
        model(newest, older)


def test_the_answers_of_both_are_in_the_list() -> None:
    newest, older = (ullage.loads(text) for text in PAIRS["no revision on the air"])
    assert may_both_accept(newest, older)
    assert ullage.Status.AMBIGUOUS in answers(newest, older)
    assert ullage.Status.AMBIGUOUS not in answers(newest)
    newest, older = ullage.loads(NEWER), ullage.loads(SPEC)
    assert not may_both_accept(newest, older)
    assert ullage.Status.AMBIGUOUS not in answers(newest, older)


BIT = revision(
    1, "", {"a": (0, fields('name = "c", kind = "constant", bits = 8, value = 1', 'name = "x", kind = "flag"'))}
)
OTHER = {
    "another constant": (changed("value = 1", "value = 2", BIT), False),
    "the same constant": (changed('name = "x", kind = "flag"', 'name = "x", kind = "count", bits = 3', BIT), True),
    "another length": (changed('name = "x", kind = "flag"', 'name = "x", kind = "count", bits = 30', BIT), False),
    "a constant that became a field": (changed("constant", "count", BIT).replace(", value = 1", ""), True),
}


@pytest.mark.parametrize("what", OTHER)
def test_whether_a_frame_can_be_sound_in_both_follows_from_lengths_and_constants(what: str) -> None:
    text, can = OTHER[what]
    assert may_both_accept(ullage.loads(changed("revision = 1", "revision = 2", text)), ullage.loads(BIT)) is can


def test_verify_finds_a_changed_older_revision() -> None:
    assert not verify(header(), header()).finding
    verdict = verify(header(), header(older=changed("range = [250, 6000]", "range = [250, 7000]", SPEC)))
    assert verdict.finding
    assert "is the same, the code differs" in verdict.lines[0]


def test_verify_names_the_fields_of_both() -> None:
    humid = changed("step = 0.4", "step = 0.5")
    newest = changed('order",   kind = "count",   bits = 8', 'order",   kind = "count",   bits = 9', humid)
    lines = "\n".join(verify(header(humid), header(newest)).lines)
    assert "valve_order: - bit 40 8 count order 0..255" in lines
    assert "r1_valve_order: new" in lines
    assert "r1_level_report" not in lines


AROUND = """
#define MY_STATION 1
#include "%(name)s.h"
%(handlers)s
void receive(const uint8_t *octets, size_t count);
void receive(const uint8_t *octets, size_t count) {
%(receive)s
%(missing)s { return; }
}
"""


@pytest.mark.parametrize("compiler", ["gcc", "clang++"])
@pytest.mark.parametrize("what", ["orchard", *PAIRS])
def test_the_example_at_the_top_compiles_as_it_stands(what: str, compiler: str, tmp_path: Path) -> None:
    need(compiler)
    newest, older = (ullage.loads(text) for text in PAIRS.get(what, (NEWER, SPEC)))
    text = emit_c(newest, "x.toml", older)
    (tmp_path / f"{newest.name}.h").write_text(text)
    manual = re.sub(r"^ \*", "", text.split("*/")[0], flags=re.MULTILINE)
    receive, rest = manual.split("   receive\n")[1].split("   missing ")
    asked = re.search(r"^ +(if \(\(received\.missing & \w+\) != 0u\)) \.\.\.$", rest, re.MULTILINE)
    assert f"{newest.name}_decode_any" in receive
    handlers = "\n".join(
        f"static void got_{frame.layout.name}(const struct {frame.struct} *values) {{ (void)values; }}"
        for frame in model(newest).frames
    )
    parts = {"name": newest.name, "handlers": handlers, "receive": receive, "missing": asked[1] if asked else "if (0)"}
    language = ["-x", "c++", "-std=c++11"] if compiler.endswith("++") else ["-x", "c", "-std=c99"]
    compiled = subprocess.run(
        [compiler, *language, *WARNINGS, f"-I{tmp_path}", "-c", "-o", str(tmp_path / "x.o"), "-"],
        input=AROUND % parts,
        text=True,
        capture_output=True,
        check=False,
    )
    assert compiled.returncode == 0, compiled.stderr[:3000]


def size(text: str, call: str, folder: Path) -> int:
    """Octets of flash that a function takes that calls a header's decoder, on an 8-bit part."""
    (folder / "orchard.h").write_text(text)
    kind = "received" if "any" in call else "message"
    signature = f"int f(const uint8_t *octets, size_t count, struct orchard_{kind} *message)"
    source = f'#include "orchard.h"\n{signature};\n{signature} {{ return (int){call}(octets, count, message); }}\n'
    made = folder / "x.o"
    command = [
        "avr-gcc",
        "-mmcu=atmega328p",
        "-Os",
        "-std=c99",
        *WARNINGS,
        f"-I{folder}",
        "-xc",
        "-",
        "-c",
        "-o",
        str(made),
    ]
    compiled = subprocess.run(command, input=source, text=True, capture_output=True, check=False)
    assert compiled.returncode == 0, compiled.stderr[:3000]
    printed = subprocess.run(["avr-size", str(made)], text=True, capture_output=True, check=True).stdout
    return sum(map(int, printed.splitlines()[1].split()[:2]))


def test_an_older_revision_that_is_not_read_costs_nothing(tmp_path: Path) -> None:
    need("avr-gcc")
    alone = size(emit_c(ullage.loads(NEWER), "x"), "orchard_decode", tmp_path)
    assert size(header(), "orchard_decode", tmp_path) == alone
    assert alone < size(header(), "orchard_decode_any", tmp_path) < 2 * alone
