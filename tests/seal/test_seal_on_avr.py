"""The C parts on an 8-bit chip with 16-bit int, in a simulator: the same octets and numbers as in Python.

One program runs every case and prints what it finds on the chip's serial port.
"""

import csv
import random
import re
import subprocess
from pathlib import Path

import pytest

from support.ends import need
from support.seal_c import INCLUDES
from ullage.seal import Seen, Window, candidates
from ullage_codegen.c.seal import SealParts

PROGRAM = r"""
#include <avr/io.h>
#include <avr/interrupt.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include "parts.h"

static void put(char letter)
{
    while ((UCSR0A & (1 << UDRE0)) == 0) { }
    UDR0 = (uint8_t)letter;
}

static void show(const uint8_t *octets, uint8_t count)
{
    while (count-- != 0u) {
        put("0123456789abcdef"[*octets >> 4]);
        put("0123456789abcdef"[*octets++ & 15u]);
    }
}

static void show_number(uint64_t number)
{
    uint8_t octets[8], i;

    for (i = 0u; i < 8u; i++) { octets[i] = (uint8_t)(number >> (56u - 8u * i)); }
    show(octets, 8u);
    put(' ');
}

/* key 16, nonce 13, lengths of associated, text and tag, associated, sealed */
static const uint8_t packets[] PROGMEM = { %(packets)s };
static const uint64_t counters[] PROGMEM = { %(counters)s };

static uint8_t octets_of_memory[2][%(record)d];

static uint8_t load(void *memory, uint8_t which, uint8_t *octets)
{
    uint8_t i;

    (void)memory;
    for (i = 0u; i < %(record)d; i++) { octets[i] = octets_of_memory[which][i]; }
    return 1u;
}

static uint8_t store(void *memory, uint8_t which, const uint8_t *octets)
{
    uint8_t i;

    (void)memory;
    for (i = 0u; i < %(record)d; i++) { octets_of_memory[which][i] = octets[i]; }
    return 1u;
}

static void packet(const uint8_t **at)
{
    struct orchard_key key;
    uint8_t head[32], associated[32], text[48], tag[16], i;

    for (i = 0u; i < 32u; i++) { head[i] = pgm_read_byte((*at)++); }
    for (i = 0u; i < head[29]; i++) { associated[i] = pgm_read_byte((*at)++); }
    for (i = 0u; i < head[30]; i++) { text[i] = pgm_read_byte((*at)++); }
    for (i = 0u; i < head[31]; i++) { tag[i] = pgm_read_byte((*at)++); }
    orchard_key_set(&key, head);
    put((char)('0' + orchard_ccm_open(&key, head + 16, associated, head[29], text, head[30], tag, head[31])));
    put(' ');
    show(text, head[30]);
    put(' ');
    orchard_ccm_seal(&key, head + 16, associated, head[29], text, head[30], tag, head[31]);
    show(text, head[30]);
    show(tag, head[31]);
    put(' ');
    tag[0] ^= 1u;
    put((char)('0' + orchard_ccm_open(&key, head + 16, associated, head[29], text, head[30], tag, head[31])));
    show(text, head[30]);
    put('\n');
}

int main(void)
{
    const uint8_t *at = packets;
    struct orchard_window window = {0};
    struct orchard_counter counter;
    uint64_t found = 0u;
    uint8_t i;

    UBRR0 = 0;
    UCSR0B = 1 << TXEN0;
    while (at != packets + sizeof packets) { packet(&at); }
    for (i = 0u; i < sizeof counters / sizeof *counters; i++) {
        const uint32_t *half = (const uint32_t *)&counters[i];
        const uint64_t number = pgm_read_dword(half) | (uint64_t)pgm_read_dword(half + 1) << 32;

        put((char)('0' + orchard_window_check(&window, number)));
        put(' ');
        show_number(orchard_window_candidate(&window, number & 0xffffffu, i & 3u, &found) ? found : 0u);
        orchard_window_advance(&window, number);
        put('\n');
    }
    orchard_counter_provision(load, store, NULL, %(first)sULL);
    orchard_counter_begin(&counter, load, store, NULL, 3u);
    while (orchard_counter_take(&counter, &found) == ORCHARD_COUNTER_FINE) {
        show_number(found);
        put('\n');
    }
    while ((UCSR0A & (1 << TXC0)) == 0) { }
    cli();
    sleep_enable();
    sleep_cpu();
    return 0;
}
"""


def packets() -> list[dict[str, bytes]]:
    """RFC 3610 section 8, packet vectors 1 to 24."""
    path = Path(__file__).parents[1] / "outside/rfc3610_packets.csv"
    rows = csv.DictReader(path.read_text().splitlines()[1:])
    return [{name: bytes.fromhex(text) for name, text in row.items() if name != "packet"} for row in rows]


def expected_windows(counters: list[int]) -> list[str]:
    window, out = Window(), []
    for place, counter in enumerate(counters):
        seen = window.check(counter)
        guesses = list(candidates(window, counter & 0xFFFFFF, low_bits=24, counter_bits=64))
        guess = guesses[place % 4] if place % 4 < len(guesses) else 0
        out.append(f"{list(Seen).index(seen)} {guess:016x} ")
        window = window.advance(counter) if seen is Seen.FRESH else window
    return out


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[str], list[int]]:
    """The lines that the chip printed, and the counters that it was asked about."""
    need("avr-gcc")
    need("simavr")
    folder, random_ = tmp_path_factory.mktemp("avr"), random.Random(3)
    counters = [random_.choice([0, 3, 63, 64, 90, 2**24, 2**40]) + place for place in range(120)] + [
        2**64 - 1,
        2**64 - 64,
    ]
    blobs = [
        p["key"]
        + p["nonce"]
        + bytes([len(p["associated"]), len(p["plaintext"]), len(p["sealed"]) - len(p["plaintext"])])
        + p["associated"]
        + p["sealed"]
        for p in packets()
    ]
    parts = SealParts("orchard", 64, 24)
    (folder / "parts.h").write_text(INCLUDES + parts.every, encoding="ascii")
    source = PROGRAM % {
        "packets": ", ".join(str(octet) for octet in b"".join(blobs)),
        "counters": ", ".join(f"{counter}ULL" for counter in counters),
        "record": 10,
        "first": 2**64 - 1 - 20,
    }
    command = [
        "avr-gcc",
        "-mmcu=atmega328p",
        "-Os",
        "-std=gnu99",
        f"-I{folder}",
        "-o",
        str(folder / "made.elf"),
        "-xc",
        "-",
    ]
    made = subprocess.run(command, input=source, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr[:3000]
    command = ["simavr", "-m", "atmega328p", "-f", "16000000", str(folder / "made.elf")]
    run = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    lines = re.sub(r"\x1b\[[0-9;]*m", "", run.stdout + run.stderr).splitlines()
    return [line.rstrip(".") for line in lines if re.match(r"[0-9a-f]+ ", line)], counters


def test_the_packet_vectors_of_rfc_3610_come_out_on_the_chip(said: tuple[list[str], list[int]]) -> None:
    cases = packets()
    for line, case in zip(said[0], cases, strict=False):
        text, zeros = case["plaintext"].hex(), bytes(len(case["plaintext"])).hex()
        assert line == f"1 {text} {case['sealed'].hex()} 0{zeros}"
    assert len(said[0]) == len(cases) + len(said[1]) + 20


def test_windows_and_candidates_are_the_same_on_the_chip(said: tuple[list[str], list[int]]) -> None:
    assert said[0][24:-20] == expected_windows(said[1])


def test_the_counter_ends_below_its_highest_number_on_the_chip(said: tuple[list[str], list[int]]) -> None:
    assert [int(word, 16) for word in said[0][-20:]] == list(range(2**64 - 21, 2**64 - 1))
