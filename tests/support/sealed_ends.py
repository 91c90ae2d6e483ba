"""Both ends of a sealed protocol behind one face: what was received or sent in, answer and windows out.

The C end keeps its peers in one state that its `find` looks through, made from keys as they are first asked for.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import subprocess
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import ullage
from support.ends import UNTOUCHED, Build, Contents, _contents, _fill, _folder, _meant, _read, _structure
from support.ends import message_structure as message_struct
from support.seal_c import _Callbacks
from ullage.layout import Layout
from ullage.seal import BlockCounter, CounterFault, Key
from ullage.sealed import Sender
from ullage_codegen.c.header import CHeader, emit_c, model

Keys = Mapping[int | None, Key]
Windows = dict[tuple[int | None, int], tuple[int, int]]
"""Whose key and which source -> highest number, mask."""


@dataclass(frozen=True)
class Heard:
    """What a receiver said, and on fine what it got. counter: None for a frame that was not sealed."""

    status: int
    frame: str | None = None
    contents: Contents | None = None
    counter: int | None = None


@dataclass(frozen=True)
class Sent:
    """What sealing said, and on fine the octets."""

    status: int
    octets: bytes | None = None


class Memory:
    """Two records that a counter keeps. cuts: places of writes, from 0 on, at which the power fails, half-way."""

    def __init__(self, records: list[bytes | None], cuts: frozenset[int] = frozenset()) -> None:
        self.records, self.cuts, self.writes = list(records), cuts, 0

    def load(self, which: int) -> bytes | None:
        return self.records[which]

    def store(self, which: int, octets: bytes) -> None:
        cut = self.writes in self.cuts
        self.writes += 1
        before = self.records[which] or b"\xff" * len(octets)
        half = len(octets) // 2
        self.records[which] = octets[:half] + before[half:] if cut else octets


class PythonSealedEnd:
    """Receiver and sender in Python."""

    def __init__(self, protocol: ullage.Protocol, keys: Keys, from_counter: int = 0) -> None:
        self.protocol, self.keys = protocol, keys
        self.scopes = {frame.layout.name: frame.scope for frame in _model(protocol).frames}
        self.receiver = ullage.Receiver(protocol, keys, from_counter)

    def receive(self, octets: bytes, at: int | None) -> Heard:
        try:
            message = self.receiver.decode(octets, at)
        except ullage.Refused as refused:
            return Heard(int(refused.reason))
        return Heard(0, message.frame, _contents(self.scopes[message.frame], message.values), message.counter)

    def windows(self) -> Windows:
        heard = self.receiver.heard.items()
        tops = {(owner, source): one.window for (_, owner, source), one in heard}
        return {who: (window.top, window.mask) for who, window in tops.items() if window.top is not None}

    def begin(self, memory: Memory, block: int) -> None:
        """Begin with the counter's memory, as after a start of the node."""
        assert self.protocol.seal
        try:
            bits = self.protocol.seal.counter_bits
            self.counter: Any = BlockCounter(memory.load, memory.store, block=block, counter_bits=bits)
        except CounterFault:
            self.counter = _Unknown()

    def seal(self, frame: str, contents: Contents, key: Key | None, owner: int | None, source: str) -> Sent:
        """Seal a struct with these contents. owner: whose key this is. source: the name of that field."""
        sender = Sender(self.protocol, contents[source], {owner: key} if key else {}, self.counter)
        try:
            return Sent(0, sender.encode(frame, _meant(self.scopes[frame], contents)))
        except (ullage.EncodeError, CounterFault) as error:
            if error.status is None and key is not None:
                raise AssertionError(f"{error} has no status, so C could not say it") from error
            return Sent(int(ullage.Status.NO_KEY if error.status is None else error.status))


class _Unknown:
    def take(self) -> int:
        raise CounterFault("no sound record")


_STATE = """
struct t_peer { int group; uint64_t owner, source; struct %(low)s_peer peer; };
struct t_key { int group; uint64_t owner; uint8_t octets[16]; };
struct t_state { unsigned keys, peers; uint64_t start; struct t_key key[16]; struct t_peer peer[64]; };

static struct %(low)s_peer *t_find(void *memory, %(group)s %(owner)s owner, %(source)s source)
{
    struct t_state *state = (struct t_state *)memory;
    unsigned i, k;
    const int group = %(is_group)s;

    for (k = 0u; k < state->keys; k++) {
        struct t_key *key = &state->key[k];
        if (key->group != group || (!group && key->owner != (uint64_t)owner)) { continue; }
        for (i = 0u; i < state->peers; i++) {
            struct t_peer *one = &state->peer[i];
            if (one->group != group || one->owner != key->owner) { continue; }
            if (one->source == (uint64_t)source) { return &one->peer; }
        }
        if (state->peers == 64u) { abort(); }
        state->peer[i].group = group;
        state->peer[i].owner = key->owner;
        state->peer[i].source = (uint64_t)source;
        %(low)s_key_set(&state->peer[i].peer.key, key->octets);
        state->peer[i].peer.window.top = (%(counter)s)state->start;
        state->peers++;
        return &state->peer[i].peer;
    }
    return NULL;
}
size_t t_state_size(void);
size_t t_state_size(void) { return sizeof(struct t_state); }
void t_start(struct t_state *state, uint64_t start);
void t_start(struct t_state *state, uint64_t start) { state->start = start; }
void t_add_key(struct t_state *state, int group, uint64_t owner, const uint8_t *octets);
void t_add_key(struct t_state *state, int group, uint64_t owner, const uint8_t *octets)
{
    state->key[state->keys].group = group;
    state->key[state->keys].owner = owner;
    memcpy(state->key[state->keys].octets, octets, 16u);
    state->keys++;
}
int t_show_peer(const struct t_state *state, unsigned i, uint64_t *numbers, uint8_t *seen);
int t_show_peer(const struct t_state *state, unsigned i, uint64_t *numbers, uint8_t *seen)
{
    if (i >= state->peers) { return 0; }
    numbers[0] = (uint64_t)state->peer[i].group;
    numbers[1] = state->peer[i].owner;
    numbers[2] = state->peer[i].source;
    numbers[3] = state->peer[i].peer.window.top;
    numbers[4] = state->peer[i].peer.window.any;
    memcpy(seen, state->peer[i].peer.window.seen, 8u);
    return 1;
}
int t_receive(const uint8_t *octets, size_t count, int has_at, uint64_t at, struct t_state *state,
              struct %(low)s_message *message);
int t_receive(const uint8_t *octets, size_t count, int has_at, uint64_t at, struct t_state *state,
              struct %(low)s_message *message)
{
    %(at)s
    return (int)%(low)s_receive(octets, count, t_find, state, message);
}
size_t t_message_size(void);
size_t t_message_size(void) { return sizeof(struct %(low)s_message); }
size_t t_counter_size(void);
size_t t_counter_size(void) { return sizeof(struct %(low)s_counter); }
uint8_t t_begin(struct %(low)s_counter *counter, uint8_t (*load)(void *, uint8_t, uint8_t *),
                uint8_t (*store)(void *, uint8_t, const uint8_t *), uint16_t block);
uint8_t t_begin(struct %(low)s_counter *counter, uint8_t (*load)(void *, uint8_t, uint8_t *),
                uint8_t (*store)(void *, uint8_t, const uint8_t *), uint16_t block)
{ return %(low)s_counter_begin(counter, load, store, NULL, block); }
unsigned t_reserve(void);
unsigned t_reserve(void) { return %(up)s_SEAL_RESERVE; }
"""
_SEAL = """
int t_seal_%(name)s(const struct %(struct)s *values, const uint8_t *octets16, struct %(low)s_counter *counter,
                    uint8_t *octets, size_t capacity, size_t *count);
int t_seal_%(name)s(const struct %(struct)s *values, const uint8_t *octets16, struct %(low)s_counter *counter,
                    uint8_t *octets, size_t capacity, size_t *count)
{
    struct %(low)s_key key;
    if (octets16 != NULL) { %(low)s_key_set(&key, octets16); }
    %(call)s
}
"""
_FIXED = "(void)capacity; *count = {upper}_OCTETS; return (int){struct}_seal(values, {key}, counter, octets);"
_VARIABLE = "return (int){struct}_seal(values, {key}, counter, octets, capacity, count);"


def glue(header: CHeader, crc_form: int) -> str:
    """The header with exported functions around what is sealed."""
    sealed, low, up = header.sealed, header.protocol.name, header.protocol.name.upper()
    assert sealed
    slot = header.protocol.destination_slot
    station = next((size for size in (8, 16, 32, 64) if slot and slot.bits <= size), 0)
    at = f"if (has_at) return (int){low}_receive_at(octets, count, (uint{station}_t)at, t_find, state, message);"
    state = _STATE % {
        "low": low,
        "up": up,
        "group": "uint8_t group_key," if sealed.grouped else "",
        "is_group": "group_key != 0u" if sealed.grouped else "0",
        "owner": sealed.owner.name,
        "source": sealed.source.name,
        "counter": sealed.counter.name,
        "at": at if slot else "(void)has_at; (void)at;",
    }
    key = "octets16 != NULL ? &key : NULL"
    out = [f"#define {up}_CRC_FORM {crc_form}" if header.protocol.integrity else ""]
    out += ["#include <stdlib.h>\n#include <string.h>", f'#include "{header.file_name}"']
    out += ["#ifdef __cplusplus", 'extern "C" {', "#endif", state]
    for frame in header.frames:
        if frame.layout.sealing:
            call = (_FIXED if frame.layout.fixed else _VARIABLE).format(upper=frame.upper, struct=frame.struct, key=key)
            out.append(_SEAL % {"name": frame.layout.name, "struct": frame.struct, "low": low, "call": call})
    return "\n".join([*out, "#ifdef __cplusplus", "}", "#endif", ""])


@functools.lru_cache(maxsize=4)
def _model(protocol: ullage.Protocol) -> CHeader:
    return model(protocol)


@functools.lru_cache(maxsize=4)
def compiled(protocol: ullage.Protocol, build: Build) -> ctypes.CDLL:
    """A library of a protocol's header; the same is made once."""
    text, source = emit_c(protocol, "test.toml"), glue(_model(protocol), build.crc_form)
    digest = hashlib.sha256("\0".join([*build.command, text, source]).encode()).hexdigest()[:32]
    path = _folder() / f"sealed-{digest}.so"
    if not path.exists():
        folder = path.with_suffix("")
        folder.mkdir(exist_ok=True)
        (folder / f"{protocol.name}.h").write_text(text, encoding="ascii")
        command = [*build.command, f"-I{folder}", "-o", str(path), "-"]
        made = subprocess.run(command, input=source, capture_output=True, text=True, check=False)
        assert made.returncode == 0, f"{build.name} does not compile this:\n{made.stderr[:3000]}"
    return ctypes.CDLL(str(path))


@functools.lru_cache(maxsize=4)
def _structures(protocol: ullage.Protocol) -> tuple[dict[str, Any], Any]:
    header = _model(protocol)
    structs = {frame.layout.name: _structure(frame.scope) for frame in header.frames}
    return structs, message_struct(header, structs)


class CSealedEnd:
    """Receiver and sender in the compiled header."""

    def __init__(self, protocol: ullage.Protocol, build: Build, keys: Keys, from_counter: int = 0) -> None:
        assert protocol.seal
        self.protocol, self.header, self.library = protocol, _model(protocol), compiled(protocol, build)
        self.scopes = {frame.layout.name: frame.scope for frame in self.header.frames}
        self.structs, self.message = _structures(protocol)
        for function in ("state_size", "message_size", "counter_size"):
            getattr(self.library, f"t_{function}").restype = ctypes.c_size_t
        assert self.library.t_message_size() == ctypes.sizeof(self.message)
        assert self.library.t_reserve() == protocol.seal.reserve
        self.state = ctypes.create_string_buffer(self.library.t_state_size())
        self.library.t_start(self.state, ctypes.c_uint64(from_counter))
        for owner, key in keys.items():
            self.library.t_add_key(self.state, int(owner is None), ctypes.c_uint64(owner or 0), key.octets)
        self.counter: Any = ctypes.create_string_buffer(self.library.t_counter_size())

    def receive(self, octets: bytes, at: int | None) -> Heard:
        target = self.message()
        size = ctypes.sizeof(target)
        ctypes.memset(ctypes.byref(target), UNTOUCHED, size)
        buffer = (ctypes.c_uint8 * len(octets)).from_buffer_copy(octets) if octets else None
        args = (ctypes.c_size_t(len(octets)), int(at is not None), ctypes.c_uint64(at or 0), self.state)
        status = self.library.t_receive(buffer, *args, ctypes.byref(target))
        assert bytes(buffer or b"") == octets, "receiving has touched what was received"
        if status:
            assert bytes(target) == bytes([UNTOUCHED]) * size, "a refusal has touched its target"
            return Heard(status)
        frame = list(self.scopes)[target.frame - 1]
        contents = _read(self.scopes[frame], getattr(target.chosen, frame))
        assert target.sealed in (0, 1)
        assert target.sealed or not target.counter
        return Heard(0, frame, contents, target.counter if target.sealed else None)

    def windows(self) -> Windows:
        found: Windows = {}
        numbers, seen = (ctypes.c_uint64 * 5)(), (ctypes.c_uint8 * 8)()
        place = 0
        while self.library.t_show_peer(self.state, place, numbers, seen):
            group, owner, source, top, known = numbers
            mask = sum(
                1 << back for back in range(min(64, top + 1)) if seen[(top - back & 63) >> 3] >> (top - back & 7) & 1
            )
            if known:
                found[None if group else owner, source] = (top, mask)
            place += 1
        return found

    def begin(self, memory: Memory, block: int) -> None:
        """Begin with the counter's memory, as after a start of the node."""
        assert self.protocol.seal
        octets = 6 if self.protocol.seal.counter_bits <= 32 else 10
        self.callbacks = _Callbacks(memory.load, memory.store, octets)
        self.library.t_begin(self.counter, self.callbacks.load, self.callbacks.store, ctypes.c_uint16(block))

    def seal(self, frame: str, contents: Contents, key: Key | None, capacity: int | None = None) -> Sent:
        """Seal a struct with these contents. capacity: of the buffer; None is just enough for the longest frame."""
        values = self.structs[frame]()
        ctypes.memset(ctypes.byref(values), UNTOUCHED, ctypes.sizeof(values))
        _fill(self.scopes[frame], values, contents)
        room = self.protocol.frames[frame].octets if capacity is None else capacity
        buffer = (ctypes.c_uint8 * (room + 8))(*[UNTOUCHED] * (room + 8))
        count = ctypes.c_size_t(0)
        call: Callable[..., int] = getattr(self.library, f"t_seal_{frame}")
        octets16 = key.octets if key else None
        args = (ctypes.byref(values), octets16, self.counter, buffer, ctypes.c_size_t(room), ctypes.byref(count))
        status = call(*args)
        written = bytes(buffer)
        if status:
            assert written == bytes([UNTOUCHED]) * len(written), "a refusal has touched its buffer"
            return Sent(status)
        assert written[count.value :] == bytes([UNTOUCHED]) * (len(written) - count.value), "written beyond the frame"
        return Sent(0, written[: count.value])


def sealed_frames(protocol: ullage.Protocol) -> list[Layout]:
    """The layouts that are sealed."""
    return [layout for layout in protocol.frames.values() if layout.sealing]
