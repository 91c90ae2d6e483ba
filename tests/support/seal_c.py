"""The C parts of sealed frames behind the same faces as the Python ones, so that one test asks both.

All widths of counters that the tests look at stand in one source, each with its own prefix: one compilation a compiler.
"""

from __future__ import annotations

import ctypes
import functools
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from support.ends import Build, need
from ullage.seal import CounterFault, CounterSpent, Seen
from ullage.seal.counter import Load, Store
from ullage_codegen.c.seal import SealParts

BUILDS = [Build("gcc", "c", 1), Build("g++", "c++", 1), Build("clang", "c", 1), Build("clang++", "c++", 1)]
Widths = dict[tuple[int, int], str]
WIDTHS: Widths = {
    (32, 16): "orchard",
    (64, 24): "cistern",
    (8, 4): "weir",
    (64, 64): "spring",
    (20, 12): "pump",
    (32, 32): "well",
}
"""(counter_bits, low_bits) -> prefix."""

AES_PREFIX = WIDTHS[32, 16]
KEY_ROOM = 256
"""Octets that surely hold a key's struct."""

INCLUDES = "#include <stddef.h>\n#include <stdint.h>\n"
_EXPORTS = """
void t_{p}_key_set(struct {p}_key *key, const uint8_t *octets);
void t_{p}_key_set(struct {p}_key *key, const uint8_t *octets) {{ {p}_key_set(key, octets); }}
size_t t_{p}_key_size(void);
size_t t_{p}_key_size(void) {{ return sizeof(struct {p}_key); }}
void t_{p}_aes(const struct {p}_key *key, uint8_t *block);
void t_{p}_aes(const struct {p}_key *key, uint8_t *block) {{ {p}_aes(key, block); }}
void t_{p}_seal(const struct {p}_key *key, const uint8_t *nonce, const uint8_t *associated, size_t n, uint8_t *text,
                size_t m, uint8_t *tag, uint8_t tag_octets);
void t_{p}_seal(const struct {p}_key *key, const uint8_t *nonce, const uint8_t *associated, size_t n, uint8_t *text,
                size_t m, uint8_t *tag, uint8_t tag_octets)
{{ {p}_ccm_seal(key, nonce, associated, n, text, m, tag, tag_octets); }}
uint8_t t_{p}_open(const struct {p}_key *key, const uint8_t *nonce, const uint8_t *associated, size_t n, uint8_t *text,
                   size_t m, const uint8_t *tag, uint8_t tag_octets);
uint8_t t_{p}_open(const struct {p}_key *key, const uint8_t *nonce, const uint8_t *associated, size_t n, uint8_t *text,
                   size_t m, const uint8_t *tag, uint8_t tag_octets)
{{ return {p}_ccm_open(key, nonce, associated, n, text, m, tag, tag_octets); }}
size_t t_{p}_counter_size(void);
size_t t_{p}_counter_size(void) {{ return sizeof(struct {p}_counter); }}
uint8_t t_{p}_begin(struct {p}_counter *counter, uint8_t (*load)(void *, uint8_t, uint8_t *),
                    uint8_t (*store)(void *, uint8_t, const uint8_t *), uint16_t block);
uint8_t t_{p}_begin(struct {p}_counter *counter, uint8_t (*load)(void *, uint8_t, uint8_t *),
                    uint8_t (*store)(void *, uint8_t, const uint8_t *), uint16_t block)
{{ return {p}_counter_begin(counter, load, store, NULL, block); }}
uint8_t t_{p}_take(struct {p}_counter *counter, uint64_t *number);
uint8_t t_{p}_take(struct {p}_counter *counter, uint64_t *number)
{{ {t} found = 99u; const uint8_t answer = {p}_counter_take(counter, &found); *number = found; return answer; }}
uint8_t t_{p}_provision(uint8_t (*load)(void *, uint8_t, uint8_t *), uint8_t (*store)(void *, uint8_t, const uint8_t *),
                        uint64_t first);
uint8_t t_{p}_provision(uint8_t (*load)(void *, uint8_t, uint8_t *), uint8_t (*store)(void *, uint8_t, const uint8_t *),
                        uint64_t first)
{{ return {p}_counter_provision(load, store, NULL, ({t})first); }}
size_t t_{p}_window_size(void);
size_t t_{p}_window_size(void) {{ return sizeof(struct {p}_window); }}
void t_{p}_window_start(struct {p}_window *window, uint64_t start);
void t_{p}_window_start(struct {p}_window *window, uint64_t start) {{ window->top = ({t})start; }}
int t_{p}_check(const struct {p}_window *window, uint64_t counter);
int t_{p}_check(const struct {p}_window *window, uint64_t counter)
{{ return (int){p}_window_check(window, ({t})counter); }}
uint8_t t_{p}_advance(struct {p}_window *window, uint64_t counter);
uint8_t t_{p}_advance(struct {p}_window *window, uint64_t counter)
{{ return {p}_window_advance(window, ({t})counter); }}
uint8_t t_{p}_candidate(const struct {p}_window *window, uint64_t low, uint8_t turn, uint64_t *counter);
uint8_t t_{p}_candidate(const struct {p}_window *window, uint64_t low, uint8_t turn, uint64_t *counter)
{{
    {t} found = 0u;
    const uint8_t there = {p}_window_candidate(window, ({t})low, turn, &found);
    *counter = found;
    return there;
}}
"""


def source(define: str = "", widths: Widths = WIDTHS) -> tuple[str, str]:
    """The header with all parts, and the source that includes it and exports its functions."""
    parts = [SealParts(prefix, *width) for width, prefix in widths.items()]
    header = INCLUDES + define + "\n".join(part.every for part in parts)
    exports = "".join(_EXPORTS.format(p=part.prefix, t=part.ctype.name) for part in parts)
    return (
        header,
        f'#include "parts.h"\n#ifdef __cplusplus\nextern "C" {{\n#endif\n{exports}#ifdef __cplusplus\n}}\n#endif\n',
    )


def compiled(build: Build, folder: Path, define: str = "", widths: Widths = WIDTHS) -> ctypes.CDLL:
    """A library of the parts. The header is included from a file, as users do."""
    header, text = source(define, widths)
    (folder / "parts.h").write_text(header, encoding="ascii")
    made = folder / "parts.so"
    command = [*build.command, f"-I{folder}", "-o", str(made), "-"]
    run = subprocess.run(command, input=text, capture_output=True, text=True, check=False)
    assert run.returncode == 0, f"{build.name} does not compile this:\n{run.stderr[:3000]}"
    return ctypes.CDLL(str(made))


@functools.cache
def library(build: Build = BUILDS[0]) -> ctypes.CDLL:
    """The library of one compiler, made once a process."""
    need(build.compiler)
    return compiled(build, Path(tempfile.mkdtemp(prefix="ullage-seal-")))


def _call(made: ctypes.CDLL, prefix: str, name: str) -> Any:
    """An exported function, told what it gives: the upper bits of a register that holds an octet are anything."""
    function = getattr(made, f"t_{prefix}_{name}")
    if name.endswith("size"):
        function.restype = ctypes.c_size_t
    else:
        function.restype = ctypes.c_int if name == "check" else ctypes.c_uint8
    return function


class CCipher:
    """AES-128 and CCM in C."""

    def __init__(self, made: ctypes.CDLL) -> None:
        self.made = made
        assert _call(made, AES_PREFIX, "key_size")() <= KEY_ROOM

    def _key(self, key: bytes) -> Any:
        assert len(key) == 16
        room = ctypes.create_string_buffer(KEY_ROOM)
        _call(self.made, AES_PREFIX, "key_set")(room, key)
        return room

    def block(self, key: bytes, block: bytes) -> bytes:
        """One block encrypted."""
        place = ctypes.create_string_buffer(block, 16)
        _call(self.made, AES_PREFIX, "aes")(self._key(key), place)
        return place.raw

    def seal(self, key: bytes, nonce: bytes, text: bytes, associated: bytes, tag_octets: int) -> bytes:
        """Text and tag, as the Python part gives them."""
        assert len(nonce) == 13
        place = ctypes.create_string_buffer(text, max(len(text), 1))
        tag = ctypes.create_string_buffer(b"\xa5" * 17, 17)
        lengths = ctypes.c_size_t(len(associated)), ctypes.c_size_t(len(text))
        seal = _call(self.made, AES_PREFIX, "seal")
        seal(self._key(key), nonce, associated, lengths[0], place, lengths[1], tag, ctypes.c_uint8(tag_octets))
        assert tag.raw[tag_octets:] == b"\xa5" * (17 - tag_octets), "the tag is longer than asked for"
        return place.raw[: len(text)] + tag.raw[:tag_octets]

    def open(self, key: bytes, nonce: bytes, sealed: bytes, associated: bytes, tag_octets: int) -> bytes | None:
        """The text, None when the tag does not fit, and then the scratch is all zeros."""
        assert len(nonce) == 13
        octets = len(sealed) - tag_octets
        place = ctypes.create_string_buffer(sealed[:octets], max(octets, 1))
        lengths = ctypes.c_size_t(len(associated)), ctypes.c_size_t(octets)
        call = _call(self.made, AES_PREFIX, "open")
        size = ctypes.c_uint8(tag_octets)
        fits = call(self._key(key), nonce, associated, lengths[0], place, lengths[1], sealed[octets:], size)
        assert fits or place.raw == bytes(len(place.raw)), "a wrong tag has left something of the text"
        return place.raw[:octets] if fits else None


_LOAD = ctypes.CFUNCTYPE(ctypes.c_uint8, ctypes.c_void_p, ctypes.c_uint8, ctypes.POINTER(ctypes.c_uint8))


class _Callbacks:
    """A Python memory as C's two functions. What it raises is kept, and raised again by `settle`."""

    def __init__(self, load: Load, store: Store, octets: int) -> None:
        self.raised: BaseException | None = None

        def loads(_memory: Any, which: int, place: Any) -> int:
            found = self._quiet(lambda: load(which))
            if found is None or len(found) != octets:
                return 0
            ctypes.memmove(place, found, octets)
            return 1

        def stores(_memory: Any, which: int, place: Any) -> int:
            record = bytes(place[:octets])

            def stored() -> bool:
                store(which, record)
                return True

            return int(self._quiet(stored) is True)

        self.load, self.store = _LOAD(loads), _LOAD(stores)

    def _quiet(self, call: Callable[[], Any]) -> Any:
        try:
            return call()
        except Exception as error:
            self.raised = error
            return None

    def settle(self, answer: int, bits: int) -> None:
        raised, self.raised = self.raised, None
        if raised is not None and answer:
            raise raised
        if answer == 1:
            raise CounterSpent(bits)
        if answer:
            raise CounterFault(f"answer {answer}")


class CCounter:
    """The block counter in C, with the face of `ullage.seal.BlockCounter`."""

    def __init__(
        self, load: Load, store: Store, *, block: int = 256, counter_bits: int = 32, made: ctypes.CDLL | None = None
    ) -> None:
        self.made, self.bits = made or library(), counter_bits
        self.prefix = next(prefix for width, prefix in WIDTHS.items() if width[0] == counter_bits)
        self.callbacks = _Callbacks(load, store, 6 if counter_bits <= 32 else 10)
        self.struct = ctypes.create_string_buffer(_call(self.made, self.prefix, "counter_size")())
        begin = _call(self.made, self.prefix, "begin")
        self.callbacks.settle(begin(self.struct, self.callbacks.load, self.callbacks.store, block), counter_bits)

    def take(self) -> int:
        """The next number; raises as the Python part does."""
        number = ctypes.c_uint64()
        answer = _call(self.made, self.prefix, "take")(self.struct, ctypes.byref(number))
        assert not answer or number.value == 99, "a refusal has touched the number"
        self.callbacks.settle(answer, self.bits)
        return number.value


def c_provision(load: Load, store: Store, *, first: int = 0, counter_bits: int = 32) -> None:
    """`ullage.seal.provision` in C."""
    prefix = next(prefix for width, prefix in WIDTHS.items() if width[0] == counter_bits)
    callbacks = _Callbacks(load, store, 6 if counter_bits <= 32 else 10)
    answer = _call(library(), prefix, "provision")(callbacks.load, callbacks.store, ctypes.c_uint64(first))
    callbacks.settle(answer, counter_bits)


class CWindow:
    """The replay window in C. Unlike the Python one it moves itself; `advance` gives whether it did."""

    def __init__(self, counter_bits: int, low_bits: int, start: int = 0, made: ctypes.CDLL | None = None) -> None:
        self.made, self.prefix = made or library(), WIDTHS[counter_bits, low_bits]
        self.struct = ctypes.create_string_buffer(_call(self.made, self.prefix, "window_size")())
        _call(self.made, self.prefix, "window_start")(self.struct, ctypes.c_uint64(start))

    def check(self, counter: int) -> Seen:
        """What the window says of a counter."""
        found = _call(self.made, self.prefix, "check")(self.struct, ctypes.c_uint64(counter))
        return (Seen.FRESH, Seen.REPEAT, Seen.TOO_OLD)[found]

    def advance(self, counter: int) -> bool:
        """Note a counter."""
        before = self.struct.raw
        moved = bool(_call(self.made, self.prefix, "advance")(self.struct, ctypes.c_uint64(counter)))
        assert moved or self.struct.raw == before, "a counter that is not fresh has moved the window"
        return moved

    def candidates(self, low: int, resync: int) -> list[int]:
        """Whole counters to try, as `ullage.seal.candidates`."""
        found, number = [], ctypes.c_uint64()
        for turn in range(resync + 1):
            call = _call(self.made, self.prefix, "candidate")
            if not call(self.struct, ctypes.c_uint64(low), turn, ctypes.byref(number)):
                break
            found.append(number.value)
        return found
