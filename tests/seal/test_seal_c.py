"""The C parts as C: their names, their memory, their steps, and what small chips make of them.

That they give the right octets and numbers is the business of the files beside this one and of tests/outside.
"""

import random
import re
import subprocess
from pathlib import Path

import pytest

from support.ends import WARNINGS, need
from support.seal_c import INCLUDES
from ullage.seal import BlockCounter, Key, Seen, Window, provision
from ullage.seal.ccm import seal
from ullage_codegen.c.seal import SealParts

PARTS = SealParts("orchard", 32, 16)
KEY = bytes.fromhex("5bd0f3a2914c6e870d1ab95f66c23e78")


def built(folder: Path, program: str, *command: str, parts: SealParts = PARTS) -> Path:
    """Compile a program that includes the parts from a file."""
    need(command[0])
    (folder / "parts.h").write_text(INCLUDES + parts.every, encoding="ascii")
    made = folder / "made"
    words = [*command, f"-I{folder}", "-o", str(made), "-xc", "-"]
    run = subprocess.run(words, input=program, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr[:3000]
    return made


@pytest.mark.parametrize("bits", [(32, 16), (64, 24), (8, 8)])
def test_every_name_that_the_parts_define_is_listed(bits: tuple[int, int]) -> None:
    """A header registers them, so that no frame or field takes one of them."""
    parts = SealParts("orchard", *bits)
    text = re.sub(r"/\*.*?\*/", "", parts.every, flags=re.DOTALL)
    functions = set(re.findall(r"^static [^=;{]*?\borchard_(\w+)[\[(]", text, re.MULTILINE))
    tags = set(re.findall(r"^(?:struct|enum) orchard_(\w+) \{", text, re.MULTILINE))
    assert functions | tags == set(parts.functions)
    constants = set(re.findall(r"\bORCHARD_(\w+)", text))
    assert constants == {name.upper() for name in parts.constants}


def test_the_text_is_ascii_and_the_same_every_time() -> None:
    assert PARTS.every.isascii()
    assert SealParts("orchard", 32, 16).every == PARTS.every
    assert not [line for line in PARTS.every.split("\n") if line != line.rstrip()]
    assert not [line for line in PARTS.every.split("\n") if len(line) > 140]


@pytest.mark.parametrize(("bits", "low_bits"), [(0, 0), (32, 33), (65, 16), (32, 0)])
def test_widths_that_do_not_fit_each_other_are_refused(bits: int, low_bits: int) -> None:
    with pytest.raises(ValueError, match="do not fit a counter"):
        SealParts("orchard", bits, low_bits)


INSIDE = r"""
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include "parts.h"

/* Every buffer lies alone in an allocation of just its length. */
static uint8_t *octets_of(const char *hex, size_t *count)
{
    uint8_t *octets;
    size_t place;

    *count = strcmp(hex, "-") == 0 ? 0u : strlen(hex) / 2u;
    octets = (uint8_t *)malloc(*count);
    for (place = 0u; place < *count; place++) {
        unsigned value;
        sscanf(hex + 2u * place, "%2x", &value);
        octets[place] = (uint8_t)value;
    }
    return octets;
}

static void show(const uint8_t *octets, size_t count)
{
    while (count-- != 0u) { printf("%02x", *octets++); }
}

static uint8_t load(void *memory, uint8_t which, uint8_t *octets)
{
    memcpy(octets, ((uint8_t **)memory)[which], ORCHARD_COUNTER_RECORD_OCTETS);
    return 1u;
}

static uint8_t store(void *memory, uint8_t which, const uint8_t *octets)
{
    memcpy(((uint8_t **)memory)[which], octets, ORCHARD_COUNTER_RECORD_OCTETS);
    return 1u;
}

static void counts(unsigned long first, unsigned block, unsigned takes)
{
    uint8_t *memory[2];
    struct orchard_counter *counter = (struct orchard_counter *)malloc(sizeof *counter);
    uint32_t number = 0u;

    memory[0] = (uint8_t *)calloc(1u, ORCHARD_COUNTER_RECORD_OCTETS);
    memory[1] = (uint8_t *)calloc(1u, ORCHARD_COUNTER_RECORD_OCTETS);
    if (orchard_counter_begin(counter, load, store, memory, (uint16_t)block) != ORCHARD_COUNTER_UNKNOWN ||
        orchard_counter_take(counter, &number) != ORCHARD_COUNTER_UNKNOWN) { exit(3); }
    orchard_counter_provision(load, store, memory, (uint32_t)first);
    orchard_counter_begin(counter, load, store, memory, (uint16_t)block);
    while (takes-- != 0u && orchard_counter_take(counter, &number) == ORCHARD_COUNTER_FINE) {
        printf("%lu ", (unsigned long)number);
    }
    free(memory[0]);
    free(memory[1]);
    free(counter);
}

int main(void)
{
    static char line[8192], part[6][2048];
    struct orchard_window *window = (struct orchard_window *)calloc(1u, sizeof *window);

    while (fgets(line, sizeof line, stdin) != NULL) {
        if (line[0] == 'w') {
            const uint32_t counter = (uint32_t)strtoul(line + 1, NULL, 10);
            uint32_t guess = 0u;
            printf("%d ", (int)orchard_window_check(window, counter));
            if (orchard_window_candidate(window, counter & 0xffffu, 0u, &guess) == 0u) { exit(4); }
            orchard_window_advance(window, counter);
            printf("%lu\n", (unsigned long)guess);
        } else if (line[0] == 'c') {
            unsigned long first;
            unsigned block, takes;
            sscanf(line + 1, "%lu %u %u", &first, &block, &takes);
            counts(first, block, takes);
            printf("\n");
        } else {
            size_t counts_of[5];
            uint8_t *octets[5], *tag, *text, fits;
            struct orchard_key *key = (struct orchard_key *)malloc(sizeof *key);
            unsigned tag_octets, i;
            size_t m;

            sscanf(line, "%s %s %s %s %u", part[0], part[1], part[2], part[3], &tag_octets);
            for (i = 0u; i < 4u; i++) { octets[i] = octets_of(part[i], &counts_of[i]); }
            m = counts_of[3] - tag_octets;
            text = (uint8_t *)malloc(m);
            tag = (uint8_t *)malloc(tag_octets);
            memcpy(text, octets[3], m);
            memcpy(tag, octets[3] + m, tag_octets);
            orchard_key_set(key, octets[0]);
            fits = orchard_ccm_open(key, octets[1], octets[2], counts_of[2], text, m, tag, (uint8_t)tag_octets);
            printf("%d ", (int)fits);
            show(text, m);
            if (fits != 0u) {
                orchard_ccm_seal(key, octets[1], octets[2], counts_of[2], text, m, tag, (uint8_t)tag_octets);
                if (memcmp(text, octets[3], m) != 0 || memcmp(tag, octets[3] + m, tag_octets) != 0) { exit(5); }
            }
            printf("\n");
            for (i = 0u; i < 4u; i++) { free(octets[i]); }
            free(text);
            free(tag);
            free(key);
        }
    }
    free(window);
    return 0;
}
"""


def window_answers(counters: list[int]) -> list[str]:
    window, out = Window(), []
    for counter in counters:
        seen, low = window.check(counter), counter & 0xFFFF
        bottom = 0 if window.top is None else max(0, window.top - 63)
        out.append(f"{list(Seen).index(seen)} {bottom + (low - bottom) % 65536}")
        window = window.advance(counter) if seen is Seen.FRESH else window
    return out


def test_the_parts_stay_inside_their_buffers(tmp_path: Path) -> None:
    """Under AddressSanitizer, with every length of text, what is associated, and tag that frames have."""
    random_ = random.Random(7)
    sanitized = ("-std=c99", "-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
    made = built(tmp_path, INSIDE, "gcc", *sanitized)
    lines, expected = [], []
    for turn in range(420):
        m, n, tag_octets = turn % 70 if turn < 400 else 255, turn // 6 % 40, 4 + 2 * (turn % 7)
        nonce, text, associated = (random_.randbytes(count) for count in (13, m, n))
        sealed = seal(Key(KEY, 1), nonce, text, associated, tag_octets)
        spoiled = random_.randrange(len(sealed)) if turn % 3 == 0 else None
        if spoiled is not None:
            sealed = sealed[:spoiled] + bytes([sealed[spoiled] ^ 1]) + sealed[spoiled + 1 :]
        words = [KEY.hex(), nonce.hex(), associated.hex() or "-", sealed.hex(), str(tag_octets)]
        lines.append(" ".join(words))
        expected.append(f"0 {bytes(m).hex()}" if spoiled is not None else f"1 {text.hex()}")
    counters = [random_.choice([0, 5, 60, 64, 65, 70, 1000, 70_000]) + place for place in range(300)]
    lines += [f"w {counter}" for counter in counters]
    expected += window_answers(counters)
    for first, block in ((0, 1), (7, 256), (2**32 - 50, 9)):
        memory = [bytes(6), bytes(6)]
        provision(memory.__getitem__, memory.__setitem__, first=first)
        assert BlockCounter(memory.__getitem__, memory.__setitem__, block=block).take() == first
        lines.append(f"c {first} {block} 100")
        expected.append("".join(f"{number} " for number in range(first, min(first + 100, 2**32 - 1))))
    run = subprocess.run([str(made)], input="\n".join(lines) + "\n", capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr[:3000]
    assert run.stdout.splitlines() == expected


STEPS = """
#include <stdlib.h>
#include "parts.h"

uint8_t opened(const struct orchard_key *key, const uint8_t *nonce, uint8_t *text, const uint8_t *tag);
__attribute__((noinline))
uint8_t opened(const struct orchard_key *key, const uint8_t *nonce, uint8_t *text, const uint8_t *tag)
{
    return orchard_ccm_open(key, nonce, nonce, 13u, text, 20u, tag, 8u);
}

int main(int count, char **words)
{
    uint8_t text[20] = {0}, nonce[13] = {0}, octets[16] = {1}, tag[8];
    struct orchard_key key;
    const int place = count > 1 ? atoi(words[1]) : 0;

    orchard_key_set(&key, octets);
    orchard_ccm_seal(&key, nonce, nonce, 13u, text, 20u, tag, 8u);
    tag[place & 7] = (uint8_t)(tag[place & 7] ^ (place < 8 ? 1u : 0u));
    return opened(&key, nonce, text, tag) == (place < 8 ? 0u : 1u) ? 0 : 9;
}
"""


def instructions(program: Path, place: int) -> int:
    """Instructions inside `opened`, counted by a simulated processor."""
    command = ["valgrind", "--tool=callgrind", "--toggle-collect=opened", "--callgrind-out-file=/dev/null"]
    run = subprocess.run([*command, str(program), str(place)], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr[-2000:]
    found = re.search(r"Collected : (\d+)", run.stderr)
    assert found, run.stderr[-2000:]
    return int(found[1])


@pytest.mark.parametrize(("optimised", "places"), [("-Os", (0, 7)), ("-O2", (0, 7, 8))])
def test_a_wrong_tag_takes_as_many_steps_wherever_it_differs(
    tmp_path: Path, optimised: str, places: tuple[int, ...]
) -> None:
    """Instructions, not time: the same for a difference in the first octet, in the last, and for none (place 8)."""
    need("valgrind")
    made = built(tmp_path, STEPS, "gcc", "-std=gnu99", "-g", optimised)
    counted = [instructions(made, place) for place in places]
    assert counted[0] > 1000
    assert len(set(counted)) == 1


CHIPS = {
    "avr": ("avr-gcc", "-mmcu=atmega328p", "-std=gnu99"),
    "cortex-m0+": ("arm-none-eabi-gcc", "-mcpu=cortex-m0plus", "-mthumb", "-ffreestanding", "-std=c99"),
}
UNUSED = '#include "parts.h"\nint something(void);\nint something(void) { return 7; }\n'
USED = """
#include "parts.h"
uint8_t a(struct orchard_key *key, uint8_t *o, size_t n, struct orchard_window *w, uint32_t c, uint32_t *p);
uint8_t a(struct orchard_key *key, uint8_t *o, size_t n, struct orchard_window *w, uint32_t c, uint32_t *p)
{
    orchard_key_set(key, o);
    orchard_ccm_seal(key, o, o, n, o, n, o, 8u);
    return (uint8_t)(orchard_ccm_open(key, o, o, n, o, n, o, 8u) + orchard_window_advance(w, c) +
                     orchard_window_candidate(w, c, 1u, p));
}
uint8_t b(struct orchard_counter *counter, uint8_t (*load)(void *, uint8_t, uint8_t *),
          uint8_t (*store)(void *, uint8_t, const uint8_t *), uint32_t *p);
uint8_t b(struct orchard_counter *counter, uint8_t (*load)(void *, uint8_t, uint8_t *),
          uint8_t (*store)(void *, uint8_t, const uint8_t *), uint32_t *p)
{
    return (uint8_t)(orchard_counter_provision(load, store, NULL, 0u) +
                     orchard_counter_begin(counter, load, store, NULL, 256u) + orchard_counter_take(counter, p));
}
"""


@pytest.mark.parametrize("chip", CHIPS)
def test_small_chips_compile_the_parts_without_a_warning_or_a_mutable_global(tmp_path: Path, chip: str) -> None:
    command = CHIPS[chip]
    need("size")
    made = built(tmp_path, USED, *command, "-Os", *WARNINGS, "-c")
    text, data, bss = sizes(made)
    assert 500 < text < 6000, "a table or a loop was unrolled where size goes first"
    assert (data, bss) == (0, 0)


@pytest.mark.parametrize("chip", CHIPS)
def test_what_a_program_does_not_use_takes_no_room(tmp_path: Path, chip: str) -> None:
    made = built(tmp_path, UNUSED, *CHIPS[chip], "-Os", *WARNINGS, "-c")
    assert sum(sizes(made)) <= 8


def sizes(made: Path) -> tuple[int, int, int]:
    """Octets of text with tables in flash, of initialised and of zeroed memory."""
    run = subprocess.run(["size", str(made)], capture_output=True, text=True, check=True)
    text, data, bss = run.stdout.splitlines()[1].split()[:3]
    return int(text), int(data), int(bss)
