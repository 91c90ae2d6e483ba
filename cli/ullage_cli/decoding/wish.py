"""What a user asked `decode` for, and the sentences for what cannot be asked."""

import re
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from ullage.layout import header_slot
from ullage.names import nearest

from ..screen import Stop

if TYPE_CHECKING:
    from ullage import Protocol
    from ullage.logs.lines import Notation

_PERCENT = re.compile(r"\s*(\d{1,3}(?:\.\d{1,9})?)\s*%?\s*", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """The words on the command line. An empty `sources` or `frames` shows all of them."""

    spec: str
    files: tuple[str, ...] = ("-",)
    at: int | None = None
    sources: frozenset[int] = frozenset()
    frames: tuple[str, ...] = ()
    json: bool = False
    csv: bool = False
    folder: Path | None = None
    every_line: bool = False
    strict: bool = False
    allow_refused: str | None = None
    notation: "Notation" = "hex"
    after: str | None = None
    skip: int = 0
    quiet: bool = False
    keys: Path | None = None
    from_counter: int | None = None
    state: Path | None = None

    @property
    def for_programs(self) -> bool:
        """Whether standard output belongs to a program."""
        return self.json or self.csv

    @property
    def how_written(self) -> tuple[str, ...]:
        """The options that say how lines are to be read, as they were given, without --skip."""
        written = () if self.notation == "hex" else ("--as", str(self.notation))
        return written if self.after is None else (*written, "--after", self.after)

    @property
    def how_opened(self) -> tuple[str, ...]:
        """The options that open sealed frames, without --state: what is read again is never a repeat."""
        keys = () if self.keys is None else ("--keys", str(self.keys))
        return keys if self.from_counter is None else (*keys, "--from-counter", str(self.from_counter))

    def most_refused(self) -> Fraction | None:
        """The share of the frames that may be refused, 0..1; None when all may. Raises Stop."""
        if self.allow_refused is None:
            return Fraction(0) if self.strict else None
        if self.strict:
            raise Stop("--strict allows none, --allow-refused some; give one of them")
        found = _PERCENT.fullmatch(self.allow_refused)
        share = Fraction(found[1]) / 100 if found else None
        if share is None or share > 1:
            raise Stop(f"--allow-refused {self.allow_refused}: this is no share of 0..100 percent, such as 2%")
        return share

    def check_alone(self) -> None:
        """Options that do not go together. Raises Stop."""
        self.most_refused()
        if self.json and self.csv:
            raise Stop("--json and --csv: give one of them")
        if self.quiet and self.for_programs:
            raise Stop("--quiet leaves --json and --csv nothing to write; leave it out")
        if self.every_line and not self.json:
            raise Stop("--all goes with --json")
        if self.folder is not None and not self.csv:
            raise Stop("-o goes with --csv: a folder with a file for each frame")
        if self.csv and self.folder is None and len(self.frames) != 1:
            raise Stop("--csv needs one --frame NAME, as a table has one sort of rows; or -o DIR with a file for each")
        if self.after == "":
            raise Stop("--after: the text is empty")

    def check_with(self, protocol: "Protocol") -> None:
        """Stations and frames that the protocol does not have. Raises Stop."""
        asked = [("--from", "source", code) for code in sorted(self.sources)]
        if self.at is not None:
            asked.insert(0, ("--at", "destination", self.at))
        for option, kind, code in asked:
            slot = header_slot(protocol.frames, kind)
            if slot is None:
                raise Stop(f"{option} {code}: the frames of {protocol.name} have no {kind}")
            if not 0 <= code < 1 << slot.bits:
                raise Stop(f"{option} {code}: this is no station; 0..{(1 << slot.bits) - 1} are")
        for name in self.frames:
            if name not in protocol.frames:
                near = nearest(name, protocol.frames)
                known = f"{near}, perhaps" if near else f"it has {', '.join(protocol.frames)}"
                raise Stop(f"--frame {name}: {protocol.name} has no such frame; {known}")
