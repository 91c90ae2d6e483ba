"""The emitted self-test passes with the header it belongs to, on every compiler, and fails with any other."""

import re
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings

import ullage
from support.ends import WARNINGS, need
from support.protocols import specs
from support.tiny import generated, load
from ullage_codegen.c.header import emit_c
from ullage_codegen.c.self_test import emitted_self_test

SPEC = Path(__file__).parents[2] / "spec"
SHIPPED = [ullage.load(path) for path in sorted(SPEC.rglob("*.toml"))]
ORCHARD = ullage.load(SPEC / "orchard.toml")
COMPILERS = {
    "gcc": ["gcc", "-std=c99"],
    "clang": ["clang", "-std=c99"],
    "g++": ["g++", "-x", "c++", "-std=c++11"],
    "clang++": ["clang++", "-x", "c++", "-std=c++11"],
}
SANITIZED = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
LISTS = load(
    'name = "n", kind = "count", range = [1, 3]',
    'name = "more", kind = "flag"',
    'name = "xs", kind = "list", counted_by = "n", at_most = 3, field = ['
    ' { name = "x", kind = "measure", unit = "mm", range = [-5, 40], step = 1, special = ["dry"] } ]',
    'name = "extra", kind = "group", when = "more", field = ['
    ' { name = "t", kind = "binary32", unit = "Cel" }, { name = "note", kind = "text", octets = 3 } ]',
    rest='[integrity]\ncrc = "CRC-8/SMBUS"',
)


def write(protocol: ullage.Protocol, folder: Path, header: str | None = None) -> Path:
    """Both files in a folder. header: another text for the header. Returns the self-test's path."""
    emitted = emitted_self_test(protocol, "test.toml")
    path = folder / emitted.file_name
    path.write_text(emitted.text, encoding="ascii")
    (folder / f"{protocol.name}.h").write_text(header or emit_c(protocol, "test.toml"), encoding="ascii")
    return path


def run(command: Sequence[str], source: Path) -> subprocess.CompletedProcess[str]:
    """Compile and run."""
    program = source.with_suffix(".program")
    made = subprocess.run([*command, str(source), "-o", str(program)], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr[:3000]
    return subprocess.run([str(program)], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("protocol", [*SHIPPED, LISTS], ids=lambda protocol: protocol.name)
def test_it_passes_under_the_sanitizers(protocol: ullage.Protocol, tmp_path: Path) -> None:
    need("gcc")
    done = run([*COMPILERS["gcc"], *WARNINGS, *SANITIZED], write(protocol, tmp_path))
    assert re.fullmatch(rf"{protocol.name} fine: \d+ vectors\n", done.stdout), done.stdout + done.stderr
    assert done.returncode == 0


@pytest.mark.parametrize("compiler", ["clang", "g++", "clang++"])
@pytest.mark.parametrize("protocol", [ORCHARD, LISTS], ids=lambda protocol: protocol.name)
def test_it_passes_with_every_compiler_without_a_warning(
    protocol: ullage.Protocol, compiler: str, tmp_path: Path
) -> None:
    need(compiler)
    assert run([*COMPILERS[compiler], *WARNINGS], write(protocol, tmp_path)).returncode == 0


@pytest.mark.parametrize("form", [1, 3])
def test_it_passes_with_the_other_forms_of_the_crc(form: int, tmp_path: Path) -> None:
    need("gcc")
    command = [*COMPILERS["gcc"], "-O0", f"-DORCHARD_CRC_FORM={form}"]
    assert run(command, write(ORCHARD, tmp_path)).returncode == 0


@settings(
    derandomize=True, deadline=None, max_examples=4, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)
@given(specs())
def test_it_passes_for_a_generated_spec(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    need("gcc")
    done = run([*COMPILERS["gcc"], *WARNINGS], write(generated(text), tmp_path_factory.mktemp("self")))
    assert done.returncode == 0, done.stdout


def test_the_same_spec_gives_the_same_ascii_text() -> None:
    one, other = (emitted_self_test(ullage.load(SPEC / "orchard.toml"), "orchard.toml") for _ in range(2))
    assert one == other
    assert one.text.isascii()
    assert not [line for line in one.text.splitlines() if line != line.rstrip()]


LEVEL, STATUS = "orchard_level_report", "orchard_status_report"
PLANTED = {
    "a range one step too wide": ("HIGHEST_MM 6000", "HIGHEST_MM 6001"),
    "a range one step too narrow": ("LOWEST_MM  250", "LOWEST_MM  251"),
    "a changed shift": ("(values->sensor << 5)", "(values->sensor << 4)"),
    "a gap that is too small": ("distance_code >= 5751u", "distance_code >= 5752u"),
    "a special code moved": ("distance_code = 8191u", "distance_code = 8190u"),
    "octets in the wrong order": (
        "(uint8_t)(values->sequence >> 8);\n    octets[4] = (uint8_t)values->sequence",
        "(uint8_t)values->sequence;\n    octets[4] = (uint8_t)(values->sequence >> 8)",
    ),
    "a least length one too long": ("count < 7u", "count < 8u"),
    "another CRC": ("crc = 0xffff;", "crc = 0x0000;"),
    "a broadcast that is not heard": ("to == my_station || to == 255u", "to == my_station || to == 254u"),
    "a spare bit that is not asked": ("& 0x0fu) != 0u", "& 0x07u) != 0u"),
    "clamping to another end": ("battery_code = 250u", "battery_code = 249u"),
    "a refusal with another reason": ("return ORCHARD_REFUSED_SPARE_NOT_ZERO", "return ORCHARD_REFUSED_NOT_A_VALUE"),
}


def header_with(planted: str) -> str:
    """The orchard's header with a fault in it."""
    sound = emit_c(ORCHARD, "test.toml")
    old, new = PLANTED[planted]
    # The CRC's first value has as many digits and another suffix in each form; a suffix does not matter here.
    found = re.sub(re.escape(old).replace("0xffff;", "0xffffu?;"), lambda _: new, sound)
    assert found != sound, "the header has changed: plant this fault otherwise"
    return found


@pytest.mark.parametrize("planted", PLANTED)
def test_it_fails_with_a_fault_in_the_header(planted: str, tmp_path: Path) -> None:
    need("gcc")
    done = run([*COMPILERS["gcc"], "-O0"], write(ORCHARD, tmp_path, header_with(planted)))
    assert re.fullmatch(r"orchard FAILED: \d+ of \d+, first .+\n", done.stdout), done.stdout
    assert done.returncode == 1


def with_first_statement(text: str, function: str, statement: str) -> str:
    """The header with a statement at the beginning of one function."""
    return re.sub(rf"({function}\([^;]*?\)\n{{\n)", lambda found: f"{found[1]}    {statement}\n", text, count=1)


def test_it_fails_when_a_refusal_touches_the_struct(tmp_path: Path) -> None:
    need("gcc")
    sound = emit_c(ORCHARD, "test.toml")
    touching = with_first_statement(sound, f"{LEVEL}_take", "values->sensor = 0u;")
    assert touching != sound
    done = run([*COMPILERS["gcc"], "-O0"], write(ORCHARD, tmp_path, touching))
    assert "stands for nothing\n" in done.stdout
    assert done.returncode == 1


def test_it_fails_when_a_refusal_touches_the_buffer(tmp_path: Path) -> None:
    need("gcc")
    sound = emit_c(ORCHARD, "test.toml")
    touching = with_first_statement(sound, f"{STATUS}_encode", "octets[19] = 0u;")
    assert touching != sound
    done = run([*COMPILERS["gcc"], "-O0"], write(ORCHARD, tmp_path, touching))
    assert "first status_report: " in done.stdout
    assert done.returncode == 1


FIRMWARE = """
static char told[200];
static void tell(const char *text) { size_t i = 0; do { told[i] = text[i]; } while (text[i++] != 0); }
#define ORCHARD_SELF_TEST_SAY(text) tell(text)
#define ORCHARD_SELF_TEST_MAIN 0
#define ORCHARD_SELF_TEST_NAMES 0
#include "orchard_self_test.c"
int main(void)
{
    size_t failed = 0;
    size_t place;
    for (place = 0; place < ORCHARD_SELF_TEST_VECTORS; place += 50) {
        if (orchard_self_test_part(place, 50, &failed) != 0) { return 2; }
    }
    if (orchard_self_test_part(ORCHARD_SELF_TEST_VECTORS, 50, &failed) != 0) { return 3; }
    if (orchard_self_test() != 0) { return 4; }
    return told[8] == 'f' && told[9] == 'i' ? 0 : 5;
}
"""


@pytest.mark.parametrize("compiler", ["gcc", "clang++"])
def test_firmware_takes_it_in_with_its_own_main_and_output(compiler: str, tmp_path: Path) -> None:
    need(compiler)
    write(ORCHARD, tmp_path)
    source = tmp_path / "firmware.c"
    source.write_text("#include <stddef.h>\n" + FIRMWARE, encoding="ascii")
    assert run([*COMPILERS[compiler], *WARNINGS], source).returncode == 0


def test_without_names_a_failure_is_told_by_its_number(tmp_path: Path) -> None:
    need("gcc")
    source = write(ORCHARD, tmp_path, header_with("another CRC"))
    done = run([*COMPILERS["gcc"], "-O0", "-DORCHARD_SELF_TEST_NAMES=0"], source)
    assert re.fullmatch(r"orchard FAILED: \d+ of \d+, first number 0\n", done.stdout), done.stdout


def sizes(tool: str, program: Path) -> tuple[int, int]:
    """Octets of flash and of static RAM."""
    told = subprocess.run([tool, str(program)], capture_output=True, text=True, check=True)
    text, data, bss = map(int, told.stdout.splitlines()[1].split()[:3])
    return text + data, data + bss


def test_the_orchards_fits_an_atmega328p(tmp_path: Path) -> None:
    """32 KiB of flash and 2 KiB of RAM, of which the tables may take none (ATmega328P data sheet, from memory)."""
    need("avr-gcc")
    need("avr-size")
    source, program = write(ORCHARD, tmp_path), tmp_path / "node.elf"
    command = ["avr-gcc", "-mmcu=atmega328p", "-std=c99", "-Os", *WARNINGS, str(source), "-o", str(program)]
    made = subprocess.run(command, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr[:3000]
    flash, ram = sizes("avr-size", program)
    assert flash < 32 * 1024
    assert ram < 256


@pytest.mark.parametrize("protocol", [ORCHARD, LISTS], ids=lambda protocol: protocol.name)
def test_it_compiles_for_arm_with_its_tables_in_flash(protocol: ullage.Protocol, tmp_path: Path) -> None:
    need("arm-none-eabi-gcc")
    need("arm-none-eabi-size")
    source, made = write(protocol, tmp_path), tmp_path / "node.o"
    up = protocol.name.upper()
    options = [f"-D{up}_SELF_TEST_MAIN=0", f"-D{up}_SELF_TEST_SAY(text)=((void)(text))"]
    command = ["arm-none-eabi-gcc", "-mcpu=cortex-m0", "-mthumb", "-std=c99", "-Os", "-ffreestanding", *WARNINGS]
    done = subprocess.run(
        [*command, *options, "-c", str(source), "-o", str(made)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[:3000]
    assert sizes("arm-none-eabi-size", made)[1] == 0
