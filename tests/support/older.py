"""A header that reads two revisions, beside what it must say: Python's receiver, and a second way from old to new.

The reference works on quantities as fractions and on names, from the layouts alone; it knows nothing of steps in C.
"""

from __future__ import annotations

import ctypes
import hashlib
import re
import subprocess
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import ullage
from ullage.layout import Binary32, Choice, Entry, Flag, Gate, Opaque, Repeat, Scaled, Slot, Text
from ullage.quantity import exact
from ullage_codegen.c.content import content_of
from ullage_codegen.c.header import emit_c, model
from ullage_codegen.c.model import Inner, Member, Scope

from .ends import UNTOUCHED, Build, _contents, _folder, _read, _structure

MISSING = object()
"""In the place of a value that the older revision does not give."""


@dataclass(frozen=True)
class Got:
    """What a receiver of two revisions said: status, and on fine the revision, the frame, its values, what is missing.

    values: contents of the newest struct. missing: dotted names of the members with a bit.
    """

    status: int
    revision: int | None = None
    frame: str | None = None
    values: Any = None
    missing: frozenset[str] = frozenset()


class BothEnd:
    """The compiled header of the newest revision, with its decoder of both."""

    def __init__(self, newest: ullage.Protocol, older: ullage.Protocol, build: Build) -> None:
        self.text = emit_c(newest, "new.toml", older)
        self.header = model(newest, older)
        assert self.header.older
        low, mask = newest.name, self.header.older.conversions.mask
        self.library = _compile(newest, older, self.text, build)
        structs = {frame.layout.name: _structure(frame.scope) for frame in self.header.frames}
        union = type("As", (ctypes.Union,), {"_fields_": list(structs.items())})
        message = type("Message", (ctypes.Structure,), {"_fields_": [("frame", ctypes.c_int), ("chosen", union)]})
        kind = getattr(ctypes, f"c_{mask.name.removesuffix('_t')}")
        fields = [("message", message), ("revision", ctypes.c_uint8), ("missing", kind)]
        self.received = type("Received", (ctypes.Structure,), {"_fields_": fields})
        assert self.library.t_size() == ctypes.sizeof(self.received)
        self.scopes = [(frame.layout.name, frame.scope) for frame in self.header.frames]
        found = re.findall(
            rf"^#define ({low.upper()}_\w+_MISSING_\w+) +\(\(\w+\)0x([0-9a-f]+)u?", self.text, re.MULTILINE
        )
        self.bits = {name: int(value, 16) for name, value in found}

    def decode(self, octets: bytes, at: int | None = None) -> Got:
        """Read octets with the decoder of both, as station `at`."""
        target = self.received()
        size = ctypes.sizeof(target)
        ctypes.memset(ctypes.byref(target), UNTOUCHED, size)
        buffer = (ctypes.c_uint8 * len(octets)).from_buffer_copy(octets) if octets else None
        args = (buffer, ctypes.c_size_t(len(octets)), int(at is not None), ctypes.c_uint64(at or 0))
        status = self.library.t_any(*args, ctypes.byref(target))
        if status:
            assert bytes(target) == bytes([UNTOUCHED]) * size, "a refusal has touched its target"
            return Got(status)
        name, scope = self.scopes[target.message.frame - 1]
        prefix = f"{self.header.protocol.name}_{name}_missing_".upper()
        own = {constant: bit for constant, bit in self.bits.items() if constant.startswith(prefix)}
        assert target.missing & ~sum(own.values()) == 0, "a bit that no constant has"
        missing = frozenset(constant for constant, bit in own.items() if target.missing & bit)
        return Got(0, target.revision, name, _read(scope, getattr(target.message.chosen, name)), missing)


def _compile(newest: ullage.Protocol, older: ullage.Protocol, text: str, build: Build) -> ctypes.CDLL:
    low, up = newest.name, newest.name.upper()
    slots = [one for one in (newest.destination_slot, older.destination_slot) if one]
    station = next((size for size in (8, 16, 32, 64) if slots and max(slot.bits for slot in slots) <= size), 0)
    at = f"if (has_at) return (int){low}_decode_any_at(octets, count, (uint{station}_t)at, target);" if slots else ""
    signature = f"(const uint8_t *octets, size_t count, int has_at, uint64_t at, struct {low}_received *target)"
    source = "\n".join(
        [
            f"#define {up}_CRC_FORM {build.crc_form}",
            f'#include "{low}.h"',
            '#ifdef __cplusplus\nextern "C" {\n#endif',
            f"int t_any{signature};\nint t_any{signature} {{",
            at or "(void)has_at; (void)at;",
            f"return (int){low}_decode_any(octets, count, target); }}",
            f"size_t t_size(void);\nsize_t t_size(void) {{ return sizeof(struct {low}_received); }}",
            "#ifdef __cplusplus\n}\n#endif\n",
        ]
    )
    key = hashlib.sha256("\0".join([*build.command, text, source]).encode()).hexdigest()[:32]
    path = _folder() / f"both-{key}.so"
    folder = path.with_suffix("")
    folder.mkdir(exist_ok=True)
    (folder / f"{low}.h").write_text(text, encoding="ascii")
    command = [*build.command, f"-I{folder}", "-o", str(path), "-"]
    made = subprocess.run(command, input=source, capture_output=True, text=True, check=False)
    assert made.returncode == 0, f"{build.name} does not compile this:\n{made.stderr[:3000]}"
    return ctypes.CDLL(str(path))


class BothReference:
    """Python's receiver, and the old message told in the newest revision's words."""

    def __init__(self, newest: ullage.Protocol, older: ullage.Protocol) -> None:
        self.newest, self.older = newest, older
        self.receiver = ullage.Receiver([newest, older])
        self.scopes = {frame.layout.name: frame.scope for frame in model(newest).frames}

    def check(self, octets: bytes, at: int | None, got: Got) -> None:
        """Assert that an answer is the right one."""
        message = self._ask(octets, at)
        if isinstance(message, ullage.Status):
            assert got == Got(int(message))
            return
        assert message.protocol
        if message.frame not in self.newest.frames:
            assert got == Got(int(ullage.Status.UNKNOWN_MESSAGE))
            return
        scope = self.scopes[message.frame]
        assert (got.status, got.revision, got.frame) == (0, message.protocol.revision, message.frame)
        if message.protocol is self.newest:
            assert (got.values, got.missing) == (_contents(scope, message.values), frozenset())
            return
        told = Told([])
        entries = self.older.frames[message.frame].entries
        values = told.row(self.newest.frames[message.frame].entries, entries, message.values, ())
        _same(scope, values, got.values)
        prefix = f"{self.newest.name}_{message.frame}_missing_"
        assert got.missing == {(prefix + "_".join(path)).upper() for path in told.missing}

    def _ask(self, octets: bytes, at: int | None) -> ullage.Message | ullage.Status:
        try:
            return self.receiver.decode(octets, at)
        except ullage.Refused as refused:
            return refused.reason


@dataclass
class Told:
    """Goes through an old message's values. missing: paths of what the newest revision does not get from it."""

    missing: list[tuple[str, ...]]

    def row(
        self, new: tuple[Entry, ...], old: tuple[Entry, ...], values: dict[str, Any], path: tuple[str, ...]
    ) -> dict[str, Any]:
        """The values of one struct: name -> value or MISSING, a tuple of rows for a list, a row or None for a group."""
        was = {entry.name: entry for entry in old}
        counts, counted = _counts(new), _counts(old)
        gates = {entry.name: entry for entry in new if isinstance(entry, Gate)}
        out: dict[str, Any] = {}
        for flag in {gate.when for gate in gates.values()}:
            self._gates(flag, [gate for gate in gates.values() if gate.when == flag], was, values, path, out)
        for entry in new:
            before = was.get(entry.name)
            if isinstance(entry, Repeat):
                items = values.get(entry.name) if isinstance(before, Repeat) else None
                if not isinstance(before, Repeat) or items is None or not entry.least <= len(items) <= entry.at_most:
                    self.missing.append((*path, entry.name))
                    out[entry.name] = ()
                else:
                    here = (*path, entry.name)
                    out[entry.name] = tuple(self.row(entry.entries, before.entries, item, here) for item in items)
            elif isinstance(entry, Slot) and entry.given and entry.name not in out:
                if entry.name in counts:
                    continue
                sent = isinstance(before, Slot) and before.given and before.name not in counted
                out[entry.name] = tell(entry, before, values[entry.name]) if sent else MISSING
                if out[entry.name] is MISSING:
                    self.missing.append((*path, entry.name))
        return out

    def _gates(
        self,
        flag: str,
        gates: list[Gate],
        was: dict[str, Entry],
        values: dict[str, Any],
        path: tuple[str, ...],
        out: dict[str, Any],
    ) -> None:
        before = [was.get(gate.name) for gate in gates]
        groups = [one for one in before if isinstance(one, Gate)]
        if len(groups) < len(gates) or len({one.when for one in groups}) != 1:
            self.missing += [(*path, name) for name in (flag, *(gate.name for gate in gates))]
            out |= {flag: False, **{gate.name: None for gate in gates}}
            return
        out[flag] = values[groups[0].when]
        for gate, group in zip(gates, groups, strict=True):
            inside = values[gate.name]
            there = None if inside is None else self.row(gate.entries, group.entries, inside, (*path, gate.name))
            out[gate.name] = there


def _counts(entries: tuple[Entry, ...]) -> set[str]:
    return {entry.counted_by for entry in entries if isinstance(entry, Repeat)}


def tell(new: Slot, old: Entry | None, value: Any) -> Any:
    """The old value as the newest revision has it, or MISSING."""
    assert isinstance(old, Slot)
    match new.transform, old.transform:
        case Scaled() as now, Scaled() as then:
            numbers = {new.kind, old.kind} <= {"measure", "count"}
            if (new.kind != old.kind and not numbers) or now.unit != then.unit or now.epoch != then.epoch:
                return MISSING
            return _tell_scaled(now, then, value)
        case Choice(codes), Choice():
            return value if value in {code.name for code in codes} else MISSING
        case Flag(), Flag():
            return value
        case Text(octets), Text():
            return value if len(value) <= octets else MISSING
        case Opaque(octets), Opaque():
            return value if len(value) == octets else MISSING
        case Binary32(unit), Binary32(other):
            return value if unit == other else MISSING
    return MISSING


def _tell_scaled(now: Scaled, then: Scaled, value: Any) -> Any:
    if isinstance(value, str):
        return value if value in {special.name for special in now.specials} else MISSING
    quantity = round(exact(value) / then.step) * then.step  # a float is the nearest to a whole number of steps
    everybody = (None if one.broadcast is None else one.broadcast * one.step for one in (now, then))
    new_all, old_all = everybody
    if quantity == old_all:
        return MISSING if new_all is None else new_all
    if quantity == new_all:
        return MISSING
    fits = (quantity / now.step).denominator == 1 and now.lowest <= quantity / now.step <= now.highest
    return Fraction(quantity) if fits else MISSING


def _same(scope: Scope, values: dict[str, Any], contents: dict[str, Any]) -> None:
    """Assert that contents are these values, and that what is missing holds what no encoder takes, or zero."""
    for entry in scope.entries:
        if isinstance(entry, Member):
            value, content = values[entry.slot.name], contents[entry.slot.name]
            if value is MISSING:
                assert holds_nothing(entry, content), f"{entry.name} holds {content}"
            else:
                assert content == content_of(entry, value), f"{entry.name} of {value}"
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            rows, items = values[entry.name], contents[entry.name]
            assert len(rows) == len(items)
            for row, item in zip(rows, items, strict=True):
                _same(entry.scope, row, item)
        elif isinstance(entry, Inner):
            row, item = values[entry.name], contents[entry.name]
            assert (row is None) == (item is None)
            if row is not None:
                _same(entry.scope, row, item)


def holds_nothing(member: Member, content: int | bytes) -> bool:
    """Whether no encoder takes a content; where every content can be sent, whether it is zero."""
    if isinstance(content, bytes):
        zeros = bytes(len(content) - 1)
        return content == (b"\x01" + zeros if isinstance(member.slot.transform, Text) else b"\0" + zeros)
    specials = {condition.value for condition in member.conditions}
    match member.slot.transform:
        case Scaled() as scaled if scaled.clamp:
            return content == 0
        case Scaled() as scaled:
            outside = content not in specials and not scaled.lowest <= content <= scaled.highest
            full = len(specials) + scaled.highest - scaled.lowest + 1 == 1 << member.ctype.bits
            return content == 0 if full else outside
        case Choice():
            return content == 0 if len(specials) == 1 << member.ctype.bits else content not in specials
        case Flag():
            return content > 1
        case Binary32():
            return content & 0x7F800000 == 0x7F800000
    raise AssertionError(member.slot.kind)
