"""The specs that `compare` is given: files, a folder of deployed ones, or standard input."""

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..screen import Stop, faults_counted, load_spec

if TYPE_CHECKING:
    from ullage import Protocol
    from ullage.revisions.meaning import Renames

STANDARD_INPUT = "-"


@dataclass(frozen=True)
class Given:
    """A spec and what to call it."""

    name: str
    protocol: "Protocol"

    @property
    def can_be_named(self) -> bool:
        """Whether another command could be given this spec."""
        return self.name != STANDARD_INPUT

    @property
    def spoken(self) -> str:
        """What a sentence calls it."""
        return self.name if self.can_be_named else "standard input"


def given(spec: str) -> Given:
    """One spec. Raises Stop when it cannot be read or has faults."""
    if spec != STANDARD_INPUT:
        return Given(spec, load_spec(spec))
    import ullage

    try:
        return Given(spec, ullage.loads(sys.stdin.buffer.read(), "standard input"))
    except ullage.SpecError as error:
        raise Stop(f"{error}\n\n{faults_counted(error)}.") from None


def deployed(folder: str, name: str) -> list[Given]:
    """The frozen specs of one protocol in a folder, lowest revision first. Raises Stop."""
    path = Path(folder)
    if not path.is_dir():
        raise Stop(f"{folder}: there is no such folder")
    found = [given(str(file)) for file in sorted(path.glob("*.toml")) if file.is_file()]
    if not found:
        raise Stop(f"{folder}: there is no .toml file in this folder")
    ours = [one for one in found if one.protocol.name == name]
    if not ours:
        names = ", ".join(sorted({one.protocol.name for one in found}))
        raise Stop(f"{folder}: there is no spec of {name} in this folder, only of {names}")
    return sorted(ours, key=lambda one: one.protocol.revision)


def _names(protocol: "Protocol") -> set[str]:
    """What its frames, fields, lists and groups are called."""
    return set(protocol.frames) | {name for layout in protocol.frames.values() for name in layout.names}


def renames(words: list[str], before: "list[Given]", after: Given) -> "Renames":
    """OLD=NEW, once or more, names of frames or fields that are there. Raises Stop."""
    from ullage.revisions.meaning import Renames

    found: dict[str, str] = {}
    for word in words:
        old, equals, new = word.partition("=")
        if not equals or not old or not new:
            raise Stop(f"--renamed {word}: give the two names as OLD=NEW")
        for name, there, where in ((old, before, "old"), (new, [after], "new")):
            if not any(name in _names(one.protocol) for one in there):
                raise Stop(f"--renamed {word}: the {where} spec has no frame or field {name}")
        if old in found:
            raise Stop(f"--renamed {word}: {old} has become {found[old]} already")
        found[old] = new
    return Renames(found)
