"""Where `decode` puts lines: the base of all outputs, and JSON lines, one object a line."""

import json
from typing import IO, TYPE_CHECKING, Any

from ullage.logs.lines import Found, Link, Rejected
from ullage.words.as_json import json_values

if TYPE_CHECKING:
    from ullage import Message, Protocol, Refused

    from .source import Line


class Sink:
    """Where decoded lines go. This one keeps nothing; the others override what they need.

    at_once: whether `flush` lets rows out; else they all come at the end.
    """

    at_once = True

    def begin(self, file: str) -> None:
        """The lines of this file follow."""

    def reading(self, line: "Line", found: "Found[Message]") -> None:
        """An accepted frame."""

    def hidden(self) -> None:
        """An accepted frame that was not asked for."""

    def refused(self, line: "Line", rejected: "Rejected[Refused]") -> None:
        """A refused frame."""

    def nothing(self, line: "Line") -> None:
        """A line without a frame."""

    def flush(self) -> None:
        """Let out what was written so far."""

    def end(self) -> None:
        """All lines have been given."""

    def abandon(self) -> None:
        """Something broke: leave nothing half done behind."""


class JsonLines(Sink):
    """One object a line, in ASCII, so that no code page can spoil it."""

    def __init__(self, protocol: "Protocol", out: IO[bytes], every_line: bool) -> None:
        self._out = out
        self._rows: list[bytes] = []
        self._every_line = every_line
        self._protocol = {"protocol": protocol.name, "revision": protocol.revision}

    def reading(self, line: "Line", found: "Found[Message]") -> None:
        """An accepted frame."""
        message = found.message
        answer = {"frame": message.frame, "values": json_values(message.values), "sealed": message.sealed}
        if message.sealed:
            answer["counter"] = message.counter
        self._write({**self._where(line), **answer, **_link(line.link), "octets": found.octets.hex()})

    def refused(self, line: "Line", rejected: "Rejected[Refused]") -> None:
        """A refused frame."""
        refusal = rejected.refusal
        answer = {"refused": str(refusal.reason), "reason": int(refusal.reason), "field": refusal.field}
        self._write({**self._where(line), **answer, **_link(line.link), "octets": rejected.octets.hex()})

    def nothing(self, line: "Line") -> None:
        """A line without a frame: only where every line was asked for."""
        if self._every_line:
            self._write({"file": line.file, "line": line.number, "none": True})

    def flush(self) -> None:
        """Let out what was written so far; nothing goes out before."""
        self._out.write(b"".join(self._rows))
        self._rows.clear()
        self._out.flush()

    def _where(self, line: "Line") -> dict[str, Any]:
        time = line.time
        return {"file": line.file, "line": line.number, **({"time": time} if time else {}), **self._protocol}

    def _write(self, thing: dict[str, Any]) -> None:
        self._rows.append(json.dumps(thing).encode("ascii") + b"\n")


def _link(link: Link) -> dict[str, Any]:
    figures = {"rssi_dbm": link.rssi_dbm, "snr_db": link.snr_db}
    known = {name: figure for name, figure in figures.items() if figure is not None}
    return {"link": known} if known else {}
