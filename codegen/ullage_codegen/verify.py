"""Does an emitted file still belong to its spec? Four answers, so that a new tool version alone alarms nobody."""

import re
from dataclasses import dataclass

# The same lines in each language: behind a comment's sign, or in a text of JSON.
_FINGERPRINT = re.compile(r"^.{0,20}\bFingerprint ([0-9a-f]{16})\b", re.MULTILINE)
_VERSION = re.compile(r"^(.{0,20}\bWritten by ullage )(\S+)( from )", re.MULTILINE)
_FRAME = re.compile(r"^\W{0,8}---- ([a-z0-9_]+)\b")
_ROW = re.compile(r"^\W{0,20}(bit\s+(?:\d+|\.\.)\s+\S.*?)(?:\",?)?$")


@dataclass(frozen=True)
class Verdict:
    """What --verify says: finding is whether the file must be emitted again; lines are for people, first the answer."""

    finding: bool
    lines: tuple[str, ...]


def verify(old: str, new: str) -> Verdict:
    """Compare an emitted file with what would be emitted now.

    old: the file's text. new: the text made from the spec by this version. Returns no finding when they are the same
    or differ only in the tool's version, a finding when the code or the fingerprint differs, then with the fields.
    """
    if old == new:
        return Verdict(False, ("the same as would be emitted now",))
    before, after = _version(old), _version(new)
    if _VERSION.sub(r"\1*\3", old) == _VERSION.sub(r"\1*\3", new):
        return Verdict(False, (f"the same but for the tool's version: {before}, now {after}",))
    marks = _fingerprint(old), _fingerprint(new)
    if marks[0] is None:
        return Verdict(True, ("no file of ours: it has no fingerprint",))
    if marks[0] == marks[1]:
        version = f" (emitted by {before}, this is {after})" if before != after else ""
        again = "emit again, with --older as before" if _older(old) and not _older(new) else "emit again"
        return Verdict(True, (f"fingerprint {marks[1]} is the same, the code differs{version}: {again}",))
    head = f"fingerprint {marks[0]} is of another spec; this one is {marks[1]}"
    return Verdict(True, (head, *_field_changes(old, new)))


def _older(text: str) -> bool:
    """Whether a header reads another revision, too."""
    return "_decode_any reads revision" in text


def _version(text: str) -> str:
    found = _VERSION.search(text)
    return found[2] if found else "unknown"


def _fingerprint(text: str) -> str | None:
    found = _FINGERPRINT.search(text)
    return found[1] if found else None


def _field_changes(old: str, new: str) -> list[str]:
    before, after = _rows(old), _rows(new)
    lines: list[str] = []
    for frame in dict.fromkeys((*before, *after)):
        if frame not in after:
            lines.append(f"{frame}: no longer there")
        elif frame not in before:
            lines.append(f"{frame}: new")
        else:
            gone = [row for row in before[frame] if row not in after[frame]]
            come = [row for row in after[frame] if row not in before[frame]]
            lines += [f"{frame}: - {row}" for row in gone] + [f"{frame}: + {row}" for row in come]
    return lines or ["the name, the revision or the CRC differs"]


def _rows(text: str) -> dict[str, list[str]]:
    """The table rows that a header carries in its comments, by frame."""
    found: dict[str, list[str]] = {}
    frame = ""
    for line in text.splitlines():
        if start := _FRAME.match(line):
            frame = start[1]
            found[frame] = []
        elif frame and (row := _ROW.match(line)):
            found[frame].append(" ".join(row[1].split()))
    return found
