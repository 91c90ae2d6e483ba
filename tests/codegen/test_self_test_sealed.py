"""The self-test of a sealed protocol passes with its header, and fails with one whose sealing has a fault."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings

import ullage
from support.ends import WARNINGS, need
from support.protocols import sealed_specs
from support.sealed_specs import SEALED
from support.tiny import generated
from ullage_codegen.c.header import emit_c
from ullage_codegen.c.self_test import emitted_self_test

C99, CXX = ["-std=c99"], ["-x", "c++", "-std=c++11"]
SANITIZED = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"]


def run(
    protocol: ullage.Protocol, folder: Path, command: list[str], header: str = ""
) -> subprocess.CompletedProcess[str]:
    """Compile both files and run. header: another text for the header."""
    emitted = emitted_self_test(protocol, "test.toml")
    source, program = folder / emitted.file_name, folder / "program"
    source.write_text(emitted.text, encoding="ascii")
    (folder / f"{protocol.name}.h").write_text(header or emit_c(protocol, "test.toml"), encoding="ascii")
    made = subprocess.run([*command, str(source), "-o", str(program)], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr[:3000]
    return subprocess.run([str(program)], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("name", ["orchard", "the whole counter travels", "a group's key", "no check", "lists"])
def test_it_passes_under_the_sanitizers(name: str, tmp_path: Path) -> None:
    need("gcc")
    done = run(ullage.loads(SEALED[name]), tmp_path, ["gcc", *C99, *WARNINGS, *SANITIZED])
    assert re.fullmatch(r"\w+ fine: \d+ vectors\n", done.stdout), done.stdout + done.stderr
    assert done.returncode == 0


@pytest.mark.parametrize("compiler", [["clang", *C99], ["g++", *CXX], ["clang++", *CXX]], ids=lambda one: one[0])
@pytest.mark.parametrize("name", ["orchard", "lists"])
def test_it_passes_with_every_compiler_without_a_warning(name: str, compiler: list[str], tmp_path: Path) -> None:
    need(compiler[0])
    assert run(ullage.loads(SEALED[name]), tmp_path, [*compiler, *WARNINGS]).returncode == 0


@settings(
    derandomize=True, deadline=None, max_examples=4, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)
@given(sealed_specs())
def test_it_passes_for_a_generated_spec(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    need("gcc")
    protocol = generated(text)
    if protocol.seal is not None and protocol.seal.key_bits == 128:
        done = run(protocol, tmp_path_factory.mktemp("self"), ["gcc", *C99, *WARNINGS])
        assert done.returncode == 0, done.stdout


def test_it_has_the_sealed_vectors_and_says_whose_keys_these_are() -> None:
    emitted = emitted_self_test(ullage.loads(SEALED["orchard"]), "test.toml")
    assert "for this test alone, never for a station" in emitted.text
    for kind, least in (("RECEIVE", 80), ("RECEIVE_AT", 8), ("SEAL", 20)):
        assert emitted.text.count(f"GARDEN_SELF_TEST_{kind}, ") > least
    assert emitted.text.isascii()


PLANTED = {
    "another network": ("nonce[0] = 0x4fu;", "nonce[0] = 0x4eu;"),
    "a counter that is not in the nonce": ("nonce[6] = (uint8_t)counter;", "nonce[6] = (uint8_t)(counter & 0xf0u);"),
    "a high part too few": ("uint16_t turns = 16u;", "uint16_t turns = 15u;"),
    "a high part too many": ("uint16_t turns = 16u;", "uint16_t turns = 17u;"),
    "a key of the wrong end": ("if (source == 1u) {", "if (source != 1u) {"),
    "a window that never moves": ("window->top = counter;", "window->top = 0u;"),
    "a repeat that is fresh": ("!= 0u ? GARDEN_SEEN_REPEAT", "== 2u ? GARDEN_SEEN_REPEAT"),
    "a window too narrow": ("window->top - counter >= 64u", "window->top - counter >= 63u"),
    "frames to everybody that are sealed": ("if (values->source == 1u && values->destination == 255u) {", "if (0) {"),
}


@pytest.mark.parametrize("planted", PLANTED)
def test_it_fails_with_a_fault_in_the_header(planted: str, tmp_path: Path) -> None:
    need("gcc")
    protocol = ullage.loads(SEALED["orchard"])
    sound = emit_c(protocol, "test.toml")
    faulty = sound.replace(*PLANTED[planted])
    assert faulty != sound, "the header has changed: plant this fault otherwise"
    done = run(protocol, tmp_path, ["gcc", *C99, "-O0"], faulty)
    assert re.fullmatch(r"garden FAILED: \d+ of \d+, first .+\n", done.stdout), done.stdout
    assert done.returncode == 1
