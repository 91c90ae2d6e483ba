"""The C neither reads nor writes past what it was given: under AddressSanitizer, every buffer exactly as long as said.

Each received frame lies alone at the end of its own allocation; what is accepted is encoded again into a buffer of just
its length, and into one that is an octet too small.
"""

import random
import subprocess
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import ullage
from support.cases import received
from support.ends import need
from support.protocols import specs
from support.tiny import generated
from ullage_codegen.c.header import emit_c, model

SHIPPED = sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))

PROGRAM = """
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include "%(low)s.h"

static int again(const struct %(low)s_message *message, const uint8_t *octets, size_t count)
{
    uint8_t *buffer = (uint8_t *)malloc(count);
    size_t made = count;
    int status = -1;

    switch (message->frame) {
%(cases)s
    default:
        break;
    }
    if (status == 0 && (made != count || memcmp(buffer, octets, count) != 0)) {
        status = 99;
    }
    free(buffer);
    return status;
}

int main(void)
{
    char line[2048];

    while (fgets(line, sizeof line, stdin) != NULL) {
        const size_t count = strcspn(line, "\\n") / 2u;
        uint8_t *octets = (uint8_t *)malloc(count);
        struct %(low)s_message *message = (struct %(low)s_message *)malloc(sizeof *message);
        size_t place;
        int status;

        for (place = 0; place < count; place++) {
            unsigned value;
            sscanf(line + 2u * place, "%%2x", &value);
            octets[place] = (uint8_t)value;
        }
        status = (int)%(low)s_decode(octets, count, message);
        printf("%%d\\n", status == 0 ? again(message, octets, count) : status);
        free(message);
        free(octets);
    }
    return 0;
}
"""
FIXED = """    case {upper}_FRAME_{name}:
        if (count == {frame}_OCTETS) {{ status = (int){struct}_encode(&message->as.{field}, buffer); }}
        break;"""
VARIABLE = """    case {upper}_FRAME_{name}: {{
        uint8_t *small = (uint8_t *)malloc(count - 1u);
        status = (int){struct}_encode(&message->as.{field}, small, count - 1u, &made);
        free(small);
        if (status != {no_room}) {{ return 98; }}
        status = (int){struct}_encode(&message->as.{field}, buffer, count, &made);
        break;
    }}"""


def program(protocol: ullage.Protocol) -> str:
    cases = [
        (FIXED if frame.layout.fixed else VARIABLE).format(
            upper=protocol.name.upper(),
            name=frame.layout.name.upper(),
            frame=frame.upper,
            struct=frame.struct,
            field=frame.layout.name,
            no_room=int(ullage.Status.NO_ROOM),
        )
        for frame in model(protocol).frames
        if not frame.layout.sealing
    ]
    return PROGRAM % {"low": protocol.name, "cases": "\n".join(cases)}


def stays_inside(protocol: ullage.Protocol, folder: Path, seed: int) -> None:
    """Build with the sanitizers, feed all kinds of octets, and compare every answer with Python's."""
    (folder / f"{protocol.name}.h").write_text(emit_c(protocol, "test.toml"), encoding="ascii")
    made = folder / f"program{seed}"
    command = ["gcc", "-std=c99", "-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
    subprocess.run(
        [*command, f"-I{folder}", "-xc", "-", "-o", str(made)], input=program(protocol), text=True, check=True
    )
    frames = [octets for octets in received(protocol, random.Random(seed)) if octets]
    lines = "".join(octets.hex() + "\n" for octets in frames)
    run = subprocess.run([str(made)], input=lines, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr[:3000]
    assert [int(line) for line in run.stdout.split()] == [answer(protocol, octets) for octets in frames]


def answer(protocol: ullage.Protocol, octets: bytes) -> int:
    try:
        protocol.decode(octets)
    except ullage.Refused as refused:
        return int(refused.reason)
    return 0


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_c_of_a_shipped_spec_stays_inside_its_buffers(path: Path, tmp_path: Path) -> None:
    need("gcc")
    stays_inside(ullage.load(path), tmp_path, seed=1)


@settings(
    derandomize=True,
    deadline=None,
    max_examples=5,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
@given(specs().filter(lambda text: '"list"' in text or '"group"' in text), st.integers(0, 2**32))
def test_the_c_of_a_generated_spec_with_lists_or_groups_stays_inside_its_buffers(
    tmp_path_factory: pytest.TempPathFactory, text: str, seed: int
) -> None:
    need("gcc")
    stays_inside(generated(text), tmp_path_factory.mktemp("inside"), seed)
