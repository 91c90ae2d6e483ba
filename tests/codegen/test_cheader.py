"""The header as text and as a compiler sees it: deterministic, plain, complete, and free when it is not used."""

import re
import subprocess
from pathlib import Path

import pytest

import ullage
from support.ends import WARNINGS, need
from ullage.crc import catalogue
from ullage_codegen.c.header import answers, emit_c, model

SPECS = Path(__file__).parents[2] / "spec"
SHIPPED = sorted(SPECS.rglob("*.toml"))
OPEN = [path for path in SHIPPED if ullage.load(path).seal is None]
"""Those without sealed frames, whose manual is another: see test_csealed."""


def header(path: Path) -> str:
    return emit_c(ullage.load(path), path.name)


def compile_c(source: str, folder: Path, *options: str, compiler: str = "gcc") -> None:
    """Compile C or C++ with every warning an error."""
    need(compiler)
    language = ["-x", "c++"] if compiler.endswith("++") else ["-x", "c"]
    command = [compiler, *language, *WARNINGS, f"-I{folder}", *options, "-"]
    made = subprocess.run(command, input=source, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr[:3000]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_header_is_the_same_every_time_and_plain_ascii(path: Path) -> None:
    text = header(path)
    assert text == header(path)
    assert text.isascii()
    assert not re.search(r"[ \t]$", text, re.MULTILINE)
    protocol = ullage.load(path)
    assert protocol.fingerprint in text.split("*/")[0]
    assert f"ullage {ullage.__version__}" in text.split("*/")[0]


def test_every_answer_has_its_number_and_nothing_else_is_in_the_list() -> None:
    protocol = ullage.load(SPECS / "orchard.toml")
    listed = dict(re.findall(r"^    ORCHARD_(\w+) = (\d+),? +/\*", header(SPECS / "orchard.toml"), re.MULTILINE))
    wanted = {
        status.name if status in (0, 32) else f"REFUSED_{status.name}": str(int(status)) for status in answers(protocol)
    }
    assert listed == wanted
    assert "REFUSED_INTEGRITY" in listed
    assert "REFUSED_WRONG_TAG" not in listed


EXAMPLE_AROUND = """
#include <stdio.h>
#include "%(name)s.h"
#define MY_STATION 1
%(counter)s next;
static void radio_send(const uint8_t *octets, size_t count) { (void)octets; (void)count; }
%(handlers)s
void send(void);
void send(void) {
%(send)s
}
void receive(const uint8_t *octets, size_t count);
void receive(const uint8_t *octets, size_t count) {
%(receive)s
}
void show(const uint8_t *octets, size_t count);
void show(const uint8_t *octets, size_t count) {
    size_t i;
    %(show)s
}
"""


@pytest.mark.parametrize("compiler", ["gcc", "clang", "g++", "clang++"])
@pytest.mark.parametrize("path", OPEN, ids=lambda path: path.stem)
def test_the_example_at_the_top_compiles_as_it_stands(path: Path, compiler: str, tmp_path: Path) -> None:
    text = header(path)
    (tmp_path / f"{path.stem}.h").write_text(text)
    manual = text.split("*/")[0]
    part = {
        "send": manual.split("   send\n")[1].split("   receive\n")[0],
        "receive": manual.split("   receive\n")[1].split("   print ")[0],
    }
    code = {key: re.sub(r"^ \*", "", lines, flags=re.MULTILINE) for key, lines in part.items()}
    show = re.search(r"   print +(.*)$", manual, re.MULTILINE)
    assert show
    assert "_encode(&" in code["send"]
    assert "_decode" in code["receive"]
    handlers = "\n".join(
        f"static void got_{frame.layout.name}(const struct {frame.struct} *values) {{ (void)values; }}"
        for frame in model(ullage.load(path)).frames
    )
    members = [member for frame in model(ullage.load(path)).frames for member in frame.scope.members]
    counter = next((member.ctype.name for member in members if member.slot.kind == "sequence"), "uint16_t")
    around = {"name": path.stem, "handlers": handlers, "show": show[1], "counter": counter}
    source = EXAMPLE_AROUND % {**around, **code}
    standard = "-std=c++11" if compiler.endswith("++") else "-std=c99"
    compile_c(source, tmp_path, standard, "-c", "-o", str(tmp_path / "example.o"), compiler=compiler)


@pytest.mark.parametrize("standard", ["c99", "gnu99", "c11", "gnu17"])
def test_the_header_compiles_in_every_c_mode(standard: str, tmp_path: Path) -> None:
    (tmp_path / "orchard.h").write_text(header(SPECS / "orchard.toml"))
    compile_c('#include "orchard.h"\nint x;\n', tmp_path, f"-std={standard}", "-c", "-o", str(tmp_path / "x.o"))


def test_two_headers_stand_in_one_file(tmp_path: Path) -> None:
    for path in SHIPPED:
        (tmp_path / f"{path.stem}.h").write_text(header(path))
    source = "".join(f'#include "{path.stem}.h"\n' for path in SHIPPED) + "int x;\n"
    compile_c(source, tmp_path, "-std=c99", "-c", "-o", str(tmp_path / "x.o"))


@pytest.mark.parametrize("form", [1, 2, 3])
def test_what_is_not_used_costs_nothing(form: int, tmp_path: Path) -> None:
    (tmp_path / "orchard.h").write_text(header(SPECS / "orchard.toml"))
    sizes = []
    for include in (f'#define ORCHARD_CRC_FORM {form}\n#include "orchard.h"\n', "#include <stdint.h>\n"):
        program = str(tmp_path / "program.o")
        compile_c(
            f"{include}int answer(void);\nint answer(void) {{ return 42; }}\n", tmp_path, "-Os", "-c", "-o", program
        )
        sizes.append(subprocess.run(["size", program], capture_output=True, text=True, check=True).stdout.split()[6:10])
    assert sizes[0] == sizes[1]


NASTY = 'any text */ int x; /* " \\\\ ??/ µ° \\u0007 // end'


def test_free_text_of_a_spec_cannot_leave_its_comment(tmp_path: Path) -> None:
    protocol = ullage.loads(
        f'[protocol]\nname = "farm"\nsummary = "{NASTY.replace(chr(34), "")}"\n'
        f'[[frame]]\nname = "report"\nsummary = "{NASTY.replace(chr(34), "")}"\n'
        f'field = [{{ name = "on", kind = "flag", summary = "{NASTY.replace(chr(34), "")}" }},\n'
        '{ name = "level", kind = "measure", unit = "µ//??", range = [0, 9], step = 1 }]\n'
    )
    text = emit_c(protocol, "odd */ name.toml")
    assert text.isascii()
    (tmp_path / "farm.h").write_text(text)
    compile_c('#include "farm.h"\nint x;\n', tmp_path, "-std=c99", "-trigraphs", "-c", "-o", str(tmp_path / "x.o"))


@pytest.mark.parametrize("form", [1, 2, 3])
def test_every_crc_of_the_catalogue_gives_its_check_value_in_c(form: int, tmp_path: Path) -> None:
    """Source of the check values: the catalogue of parametrised CRC algorithms (G. Cook)."""
    lines, checks = [], []
    for number, (name, crc) in enumerate(sorted(catalogue().items())):
        protocol = ullage.loads(
            f'[protocol]\nname = "c{number}"\n[integrity]\ncrc = "{name}"\n'
            '[[frame]]\nname = "f"\nfield = [{ name = "on", kind = "flag" }]\n'
        )
        text = emit_c(protocol, "x.toml")
        (tmp_path / f"c{number}.h").write_text(text)
        lines.append(f'#define C{number}_CRC_FORM {form}\n#include "c{number}.h"')
        checks.append(
            f"if (c{number}_crc(digits, 9u) != {crc.check}u{'LL' if crc.width > 32 else ''}) return {number + 1};"
        )
    source = "\n".join(lines) + '\nint main(void) {\nconst uint8_t digits[] = "123456789";\n'
    source += "\n".join(checks) + "\nreturn 0;\n}\n"
    program = tmp_path / "program"
    compile_c(source, tmp_path, "-std=c99", "-Wno-sign-conversion", "-o", str(program))
    assert len(checks) > 100
    assert subprocess.run([str(program)], check=False).returncode == 0
