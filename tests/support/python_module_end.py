"""The emitted Python module behind the same face as the other ends: run from its text, without the toolkit."""

from __future__ import annotations

import functools
from types import ModuleType
from typing import Any

import ullage
from ullage_codegen.c.header import model
from ullage_codegen.python.module import emitted_python

from .ends import Answer, Contents, _contents, _meant, _single


def module_of(protocol: ullage.Protocol) -> Any:
    """The emitted module of a protocol, made by running its text."""
    emitted = emitted_python(protocol, "test.toml")
    module = ModuleType(emitted.file_name.removesuffix(".py"))
    exec(compile(emitted.text, emitted.file_name, "exec", dont_inherit=True), module.__dict__)
    return module


def refusal(refused: Any) -> tuple[object, ...]:
    """All that a refusal says, of the toolkit's class or of a module's."""
    number = refused.number if hasattr(refused, "number") else int(refused.reason)
    where = (refused.frame, refused.field, refused.bit, refused.raw, refused.expected)
    return str(refused.reason), number, str(refused), *where


def complaint(error: Any) -> tuple[object, ...]:
    """All that an encoder's error says, of the toolkit's class or of a module's."""
    status = None if error.status is None else str(error.status)
    return status, str(error), error.frame, error.field, error.help


class PythonModuleEnd:
    """The emitted module."""

    def __init__(self, protocol: ullage.Protocol) -> None:
        self.protocol = protocol
        self.module = module_of(protocol)
        self.scopes = {frame.layout.name: frame.scope for frame in model(protocol).frames}
        self.single = functools.cache(lambda frame: module_of(_single(protocol, frame)))

    def decode(self, octets: bytes, at: int | None = None, only: str | None = None) -> Answer:
        module = self.single(only) if only else self.module
        try:
            message = module.decode(octets, at)
        except module.Refused as refused:
            return Answer(refused.number)
        frame = module.frame_of(message)
        return Answer(0, frame, _contents(self.scopes[frame], module.values(message)))

    def encode(self, frame: str, contents: Contents) -> Answer:
        try:
            return Answer(0, octets=self.module.encode(frame, _meant(self.scopes[frame], contents)))
        except self.module.EncodeError as error:
            if error.number is None:
                raise AssertionError(f"{error} has no status, so C could not say it") from error
            return Answer(error.number)
