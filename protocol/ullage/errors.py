"""One base error and three children: two say that you asked wrongly, one that the air brought rubbish."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .status import Status

if TYPE_CHECKING:
    from .protocol import Protocol


class UllageError(Exception):
    """Base of every error that this package raises on purpose."""

    def __reduce__(self) -> tuple[Any, ...]:
        # For worker processes: Exception's own way back calls the class with the text alone.
        return _again, (type(self), self.args, self.__dict__)


def _again(kind: type[UllageError], args: tuple[Any, ...], attributes: dict[str, Any]) -> UllageError:
    error = kind.__new__(kind, *args)
    error.__dict__.update(attributes)
    return error


@dataclass(frozen=True)
class Fault:
    """One thing wrong in a spec file.

    code is a short stable name; path leads to the place (keys and array positions); place names it for people;
    text is the plain fault with the value; help says what to change, where there is something to say; line and
    column count from 1, and span is the number of characters meant from there on (0: nothing to point at); all three
    are None where they are not known. note explains the fault, or is None. also is the path of another place that
    text speaks of last, or ().
    """

    code: str
    path: tuple[str | int, ...]
    place: str
    text: str
    help: str | None = None
    line: int | None = None
    column: int | None = None
    span: int | None = None
    note: str | None = None
    also: tuple[str | int, ...] = ()


class SpecError(UllageError):
    """A spec that cannot be used, with all of its faults.

    Attributes: faults (in the order of the file), source (the file's name as the caller gave it), text (what was
    read, or None).
    """

    def __init__(self, faults: Sequence[Fault], source: str = "spec", text: str | None = None) -> None:
        self.faults = tuple(faults)
        self.source = source
        self.text = text
        super().__init__("\n".join(self.lines()))

    def lines(self) -> list[str]:
        """The faults as people read them, an empty line between two.

        For each: `file:line:column: fault`, the line with a caret under the place, what explains it, what helps.
        """
        from .snippet import rendered

        out: list[str] = []
        for fault in self.faults:
            out += [""] * bool(out) + rendered(fault, self.source, self.text)
        return out


class EncodeError(UllageError):
    """What was given cannot be sent.

    Attributes: frame, field (or None), status (`Status.OUT_OF_RANGE` and the like where the C encoder would give the
    same answer, None where only Python can be asked so: a missing name, a wrong type), help (what would fit, or None).
    """

    def __init__(
        self,
        text: str,
        *,
        frame: str = "",
        field: str | None = None,
        status: Status | None = None,
        help: str | None = None,
    ) -> None:
        self.frame = frame
        self.field = field
        self.status = status
        self.help = help
        super().__init__(text)


class Refused(UllageError):
    """These octets are no message, and why.

    Attributes: reason (a `Status`, prints as its name), frame and field (or None where the octets did not get that
    far), bit (position of the field's first bit, counted from 0 at the most significant bit of octet 0), raw (the code
    found) and expected (what it should have been, as text), each None where there is none. protocol: of a `Receiver`
    of several, the one whose reason this is; else None.
    """

    protocol: "Protocol | None" = None

    def __init__(
        self,
        reason: Status,
        text: str,
        *,
        frame: str | None = None,
        field: str | None = None,
        bit: int | None = None,
        raw: int | None = None,
        expected: str | None = None,
    ) -> None:
        self.reason = reason
        self.frame = frame
        self.field = field
        self.bit = bit
        self.raw = raw
        self.expected = expected
        super().__init__(text)
