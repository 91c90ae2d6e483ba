"""Ullage: one declarative description of a radio message, and everything that must agree about its octets.

`load` a spec, `encode` values to octets, `decode` octets to a message or a named refusal. Heavy parts are imported
when they are first used.
"""

from os import PathLike
from typing import TYPE_CHECKING, Any

from .errors import EncodeError, Fault, Refused, SpecError, UllageError
from .status import Status

if TYPE_CHECKING:
    from .codec import Message
    from .protocol import Protocol
    from .receiver import Receiver
    from .sealed import Sender
    from .values import Special

__all__ = [
    "EncodeError",
    "Fault",
    "Message",
    "Protocol",
    "Receiver",
    "Refused",
    "Sender",
    "SpecError",
    "Special",
    "Status",
    "UllageError",
    "__version__",
    "load",
    "loads",
]

__version__ = "0.1.0"


def load(path: str | PathLike[str]) -> "Protocol":
    """Read a spec file.

    path: a TOML file in the language of spec/FORMAT.md, or a data sheet (HTML) that carries one. Returns the protocol.
    Raises SpecError with every fault that the file has, OSError when it cannot be read.
    """
    from pathlib import Path

    from .spec.embedded import spec_of

    return loads(*spec_of(Path(path).read_bytes(), str(path)))


def loads(text: str | bytes, source: str = "spec") -> "Protocol":
    """Read a spec from text.

    text: TOML; bytes are read as UTF-8. source: what errors call it. Returns the protocol. Raises SpecError.
    """
    from .spec.build import build
    from .spec.reading import parse_toml, read_shape, utf8

    said = text if isinstance(text, str) else utf8(text, source)
    try:
        data = parse_toml(said, source)
        return build(read_shape(data, source), data, source)
    except SpecError as error:
        from .spec.positions import with_places

        raise with_places(error, said) from None


def __getattr__(name: str) -> Any:
    """Import a class, or the columns, when it is first asked for."""
    import importlib

    if name == "columns":
        return importlib.import_module(".columns", __name__)
    home = {
        "Message": "codec",
        "Protocol": "protocol",
        "Receiver": "receiver",
        "Sender": "sealed",
        "Special": "values",
    }.get(name)
    if home is None:
        raise AttributeError(f"module 'ullage' has no attribute {name!r}")
    return getattr(importlib.import_module(f".{home}", __name__), name)
