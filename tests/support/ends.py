"""The implementations that must agree, behind one face: contents in, octets out, and the other way round.

An end speaks in struct contents (whole steps, codes, octets), because C can hold any bit pattern in a struct and the
question is what both ends make of it.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import os
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import pytest

import ullage
from ullage.layout import Gate, Repeat
from ullage_codegen.c.content import content_of, value_of
from ullage_codegen.c.header import CHeader, emit_c, model
from ullage_codegen.c.model import Inner, Member, Scope

WARNINGS = (
    *("-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wsign-conversion", "-Wshadow"),
    *("-Wcast-align", "-Wcast-qual", "-Wundef", "-Werror"),
)
"""Under these the header must be clean, with every compiler and as C and C++."""

UNTOUCHED = 0xA5
"""What targets are filled with before a call, to see that a refusal leaves them alone."""

Contents = dict[str, Any]
"""Slot name -> content of the struct member; a list's items as a tuple of contents, a group's as contents."""


@dataclass(frozen=True)
class Answer:
    """What an end said: a status, and on fine the frame with its contents, or the octets."""

    status: int
    frame: str | None = None
    contents: Contents | None = None
    octets: bytes | None = None


class End(Protocol):
    """One implementation of a protocol."""

    def decode(self, octets: bytes, at: int | None = None, only: str | None = None) -> Answer:
        """Read octets, as station `at`, with the decoder of all frames or of `only` one."""
        ...

    def encode(self, frame: str, contents: Contents) -> Answer:
        """Write a struct with these contents."""
        ...


class PythonEnd:
    """The scalar codec."""

    def __init__(self, protocol: ullage.Protocol) -> None:
        self.protocol = protocol
        self.scopes = {frame.layout.name: frame.scope for frame in model(protocol).frames}
        self.single = {name: _single(protocol, name) for name in protocol.frames}

    def decode(self, octets: bytes, at: int | None = None, only: str | None = None) -> Answer:
        try:
            message = (self.single[only] if only else self.protocol).decode(octets, at)
        except ullage.Refused as refused:
            return Answer(int(refused.reason))
        return Answer(0, message.frame, _contents(self.scopes[message.frame], message.values))

    def encode(self, frame: str, contents: Contents) -> Answer:
        values = _meant(self.scopes[frame], contents)
        try:
            return Answer(0, octets=self.protocol.encode(frame, values))
        except ullage.EncodeError as error:
            if error.status is None:
                raise AssertionError(f"{error} has no status, so C could not say it") from error
            return Answer(int(error.status))


def _contents(scope: Scope, values: dict[str, Any]) -> Contents:
    """What the structs hold for decoded values."""
    found: Contents = {}
    for entry in scope.entries:
        if isinstance(entry, Member):
            found[entry.slot.name] = content_of(entry, values[entry.slot.name])
        elif isinstance(entry, Inner):
            inner = values[entry.name]
            if isinstance(entry.entry, Repeat):
                found[entry.name] = tuple(_contents(entry.scope, item) for item in inner)
            else:
                found[entry.name] = None if inner is None else _contents(entry.scope, inner)
    return found


def _meant(scope: Scope, contents: Contents) -> dict[str, Any]:
    """The values that contents mean to the Python encoder: a group counts only under a set flag, as in C."""
    values: dict[str, Any] = {}
    for entry in scope.entries:
        if isinstance(entry, Member):
            values[entry.slot.name] = value_of(entry, contents[entry.slot.name])
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            values[entry.name] = [_meant(entry.scope, item) for item in contents[entry.name]]
        elif isinstance(entry, Inner):
            there = contents[entry.entry.when] if isinstance(entry.entry, Gate) else 0
            values[entry.name] = _meant(entry.scope, contents[entry.name]) if there else None
    return values


def _single(protocol: ullage.Protocol, frame: str) -> ullage.Protocol:
    """A protocol that has only this frame: what a one-frame decoder is the decoder of."""
    layout = protocol.frames[frame]
    seal = protocol.seal if layout.sealing else None
    return ullage.Protocol(protocol.name, protocol.revision, "", {frame: layout}, protocol.integrity, seal=seal)


@dataclass(frozen=True)
class Build:
    """One way to compile: compiler, language, form of the CRC."""

    compiler: str
    language: str
    crc_form: int

    @property
    def name(self) -> str:
        return f"{self.compiler}-{self.language}-{('small', 'fast', 'table')[self.crc_form - 1]}"

    @property
    def command(self) -> list[str]:
        standard = {"c": ["-x", "c", "-std=c99"], "c++": ["-x", "c++", "-std=c++11"]}[self.language]
        # Undefined behaviour ends the process at once, without a run-time library to load into Python.
        trap = "-fsanitize-undefined-trap-on-error" if "clang" not in self.compiler else "-fsanitize-trap=undefined"
        return [self.compiler, *standard, "-O1", *WARNINGS, "-fsanitize=undefined", trap, "-shared", "-fPIC"]


BUILDS = [
    Build("gcc", "c", 1),
    Build("gcc", "c", 2),
    Build("gcc", "c", 3),
    Build("g++", "c++", 2),
    Build("clang", "c", 2),
    Build("clang++", "c++", 3),
]


def need(tool: str) -> None:
    """Skip a test whose tool is missing; in CI a missing tool is a failure."""
    if shutil.which(tool) is None:
        if os.environ.get("CI"):
            pytest.fail(f"{tool} is not installed, and CI needs every tool")
        pytest.skip(f"{tool} is not installed")


def compile_header(protocol: ullage.Protocol, build: Build) -> ctypes.CDLL:
    """Compile a protocol's header, with a function around each of its own, into a library; the same is made once."""
    text = emit_c(protocol, "test.toml")
    source = _glue(model(protocol), build.crc_form)
    key = hashlib.sha256("\0".join([*build.command, text, source]).encode()).hexdigest()[:32]
    path = _folder() / f"{key}.so"
    if not path.exists():
        # Included from a file, as users do: compilers warn of less inside an included header.
        folder = path.with_suffix(f".{os.getpid()}")
        folder.mkdir(exist_ok=True)
        (folder / f"{protocol.name}.h").write_text(text, encoding="ascii")
        command = [*build.command, f"-I{folder}", "-o", str(folder / "made.so"), "-"]
        made = subprocess.run(command, input=source, capture_output=True, text=True, check=False)
        assert made.returncode == 0, f"{build.name} does not compile this:\n{made.stderr[:3000]}"
        (folder / "made.so").replace(path)
    return ctypes.CDLL(str(path))


@functools.cache
def _folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="ullage-test-"))


def _glue(header: CHeader, crc_form: int) -> str:
    """The header with exported functions around its own, which are static."""
    low, up = header.protocol.name, header.protocol.name.upper()
    at = header.protocol.destination_slot is not None
    out = [f"#define {up}_CRC_FORM {crc_form}" if header.protocol.integrity else ""]
    out += [f'#include "{header.file_name}"', "#ifdef __cplusplus", 'extern "C" {', "#endif"]

    def decode(name: str, target: str, call: str) -> None:
        plain = f"return (int){call}(octets, count, target);"
        # The station is always within the destination's bits, so the narrowing conversion loses nothing.
        body = f"if (has_at) return (int){call}_at(octets, count, ({_at_type(header)})at, target);" if at else ""
        unused = "" if at else "(void)has_at; (void)at;"
        signature = f"(const uint8_t *octets, size_t count, int has_at, uint64_t at, struct {target} *target)"
        out.append(f"int {name}{signature};\nint {name}{signature} {{ {unused} {body} {plain} }}")

    decode("t_decode", f"{low}_message", f"{low}_decode")
    for frame in header.frames:
        decode(f"t_decode_{frame.layout.name}", frame.struct, f"{frame.struct}_decode")
        out += [_size_glue(frame.layout.name, frame.struct)]
        if frame.layout.sealing:
            continue
        takes = f"const struct {frame.struct} *values, uint8_t *octets, size_t capacity, size_t *count"
        name = f"t_encode_{frame.layout.name}({takes})"
        if frame.layout.fixed:
            body = f"(void)capacity; *count = {frame.upper}_OCTETS; return (int){frame.struct}_encode(values, octets);"
        else:
            body = f"return (int){frame.struct}_encode(values, octets, capacity, count);"
        out.append(f"int {name};\nint {name} {{ {body} }}")
    out.append(f"size_t t_size(void);\nsize_t t_size(void) {{ return sizeof(struct {low}_message); }}")
    helpers = {helper.from_name: helper for frame in header.frames for helper in frame.helpers}
    for helper in helpers.values():
        wide, ctype = helper.wide.name, helper.member.ctype.name
        out += [_helper_glue(helper.from_name, wide, ctype), _helper_glue(helper.to_name, ctype, wide)]
    out += ["#ifdef __cplusplus", "}", "#endif", ""]
    return "\n".join(out)


def _size_glue(frame: str, struct: str) -> str:
    return f"size_t t_size_{frame}(void);\nsize_t t_size_{frame}(void) {{ return sizeof(struct {struct}); }}"


def _helper_glue(name: str, takes: str, gives: str) -> str:
    return f"{gives} t_{name}({takes} x);\n{gives} t_{name}({takes} x) {{ return {name}(x); }}"


def _at_type(header: CHeader) -> str:
    slot = header.protocol.destination_slot
    assert slot is not None
    return f"uint{next(size for size in (8, 16, 32, 64) if slot.bits <= size)}_t"


class CEnd:
    """The compiled header."""

    def __init__(self, protocol: ullage.Protocol, build: Build) -> None:
        self.header = model(protocol)
        self.library = compile_header(protocol, build)
        self.scopes = {frame.layout.name: frame.scope for frame in self.header.frames}
        self.structs = {name: _structure(scope) for name, scope in self.scopes.items()}
        self.frames = list(self.scopes)
        self.message = message_structure(self.header, self.structs)
        assert self.library.t_size() == ctypes.sizeof(self.message)
        for name, struct in self.structs.items():
            assert getattr(self.library, f"t_size_{name}")() == ctypes.sizeof(struct)

    def decode(self, octets: bytes, at: int | None = None, only: str | None = None) -> Answer:
        target = (self.structs[only] if only else self.message)()
        size = ctypes.sizeof(target)
        ctypes.memset(ctypes.byref(target), UNTOUCHED, size)
        buffer = (ctypes.c_uint8 * len(octets)).from_buffer_copy(octets) if octets else None
        call = getattr(self.library, f"t_decode_{only}" if only else "t_decode")
        count = ctypes.c_size_t(len(octets))
        status = call(buffer, count, int(at is not None), ctypes.c_uint64(at or 0), ctypes.byref(target))
        if status:
            assert bytes(target) == bytes([UNTOUCHED]) * size, "a refusal has touched its target"
            return Answer(status)
        frame = only or self.frames[target.frame - 1]
        struct = target if only else getattr(target.chosen, frame)
        return Answer(0, frame, _read(self.scopes[frame], struct))

    def encode(self, frame: str, contents: Contents, capacity: int | None = None) -> Answer:
        """capacity: of the buffer; None is just enough for the longest frame."""
        values = self.structs[frame]()
        ctypes.memset(ctypes.byref(values), UNTOUCHED, ctypes.sizeof(values))
        _fill(self.scopes[frame], values, contents)
        room = self.header.protocol.frames[frame].octets if capacity is None else capacity
        buffer = (ctypes.c_uint8 * (room + 8))(*[UNTOUCHED] * (room + 8))
        count = ctypes.c_size_t(0)
        call = getattr(self.library, f"t_encode_{frame}")
        status = call(ctypes.byref(values), buffer, ctypes.c_size_t(room), ctypes.byref(count))
        written = bytes(buffer)
        assert written[room:] == bytes([UNTOUCHED]) * 8, "the encoder wrote beyond its buffer"
        if status:
            assert written == bytes([UNTOUCHED]) * len(written), "a refusal has touched its buffer"
            return Answer(status)
        assert written[count.value : room] == bytes([UNTOUCHED]) * (room - count.value)
        return Answer(0, octets=written[: count.value])

    def helper(self, name: str, argument: int) -> int:
        """Call one of the from/to helpers."""
        helpers = [helper for frame in self.header.frames for helper in frame.helpers]
        helper = next(helper for helper in helpers if name in (helper.from_name, helper.to_name))
        kinds: list[Any] = [helper.wide, helper.member.ctype]
        takes, gives = kinds if name == helper.from_name else reversed(kinds)
        function = getattr(self.library, f"t_{name}")
        function.argtypes, function.restype = [_ctypes(takes)], _ctypes(gives)
        return int(function(argument))


def _read(scope: Scope, struct: Any) -> Contents:
    """The contents of a struct, lists and groups as far as they count."""
    found: Contents = {}
    for entry in scope.entries:
        if isinstance(entry, Member):
            value = getattr(struct, entry.name)
            found[entry.slot.name] = bytes(value) if entry.length else int(value)
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            items = getattr(struct, entry.name)
            found[entry.name] = tuple(_read(entry.scope, items[i]) for i in range(getattr(struct, entry.control)))
        elif isinstance(entry, Inner):
            there = getattr(struct, entry.control)
            found[entry.name] = _read(entry.scope, getattr(struct, entry.name)) if there else None
    return found


def _fill(scope: Scope, struct: Any, contents: Contents) -> None:
    """Put contents into a struct; items beyond the array are left out, their count is not."""
    for entry in scope.entries:
        if isinstance(entry, Member):
            content = contents[entry.slot.name]
            if isinstance(content, bytes):
                ctypes.memmove(getattr(struct, entry.name), content, len(content))
            else:
                setattr(struct, entry.name, content)
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            items = contents[entry.name]
            setattr(struct, entry.control, len(items))
            for target, item in zip(getattr(struct, entry.name), items, strict=False):
                _fill(entry.scope, target, item)
        elif isinstance(entry, Inner) and contents[entry.name] is not None:
            _fill(entry.scope, getattr(struct, entry.name), contents[entry.name])


def _ctypes(ctype: Any) -> Any:
    return getattr(ctypes, f"c_{ctype.name.removesuffix('_t')}")


def message_structure(header: CHeader, structs: dict[str, Any]) -> Any:
    """The struct of any frame. structs: of each."""
    union = type("As", (ctypes.Union,), {"_fields_": list(structs.items())})
    fields: list[tuple[str, Any]] = [("frame", ctypes.c_int), ("chosen", union)]
    if header.sealed:
        fields[1:1] = [("sealed", ctypes.c_uint8), ("counter", _ctypes(header.sealed.counter))]
    return type("Message", (ctypes.Structure,), {"_fields_": fields})


def _structure(scope: Scope) -> Any:
    fields: list[tuple[str, Any]] = []
    for entry in scope.entries:
        if isinstance(entry, Member):
            kind = _ctypes(entry.ctype)
            fields.append((entry.name, kind * entry.length if entry.length else kind))
        elif isinstance(entry, Inner):
            inner = _structure(entry.scope)
            if isinstance(entry.entry, Repeat):
                fields.append((entry.control, ctypes.c_uint8))
                inner = inner * entry.entry.at_most
            fields.append((entry.name, inner))
    return type(scope.struct, (ctypes.Structure,), {"_fields_": fields or [("nothing", ctypes.c_uint8)]})
