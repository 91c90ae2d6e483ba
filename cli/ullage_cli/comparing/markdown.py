"""A comparison as Markdown, for a review page."""

from typing import TYPE_CHECKING

from . import words
from .given import Given

if TYPE_CHECKING:
    from ullage.revisions.compare import Comparison, FrameComparison


def markdown(comparison: "Comparison", old: Given, new: Given) -> list[str]:
    """The lines of the page."""
    one, other = comparison.old, comparison.new
    lines = [f"## {other.name}: revision {one.revision} → {other.revision}", ""]
    lines += [f"`{old.spoken}` (`{one.fingerprint}`) → `{new.spoken}` (`{other.fingerprint}`)", ""]
    answer, *more = words.closing(comparison)
    lines += [f"**{_cell(answer)}**", *(_cell(line.strip()) for line in more), ""]
    if comparison.same:
        return lines
    lines += [f"| frame | cost | change | {words.OLD_TO_NEW} | {words.NEW_TO_OLD} |", "| --- | --- | --- | --- | --- |"]
    for frame in comparison.frames:
        lines.append(_row(frame))
    found = [(frame.name, *one) for frame in comparison.frames for one in words.misreadings(frame)]
    if found:
        lines += ["", "| silently misread | frame |", "| --- | --- |"]
        lines += [f"| {name}: {_cell(text)} | `{octets}` |" for name, text, octets, _ in found]
    return lines


def _row(frame: "FrameComparison") -> str:
    changes = "<br>".join(_cell(f"{change.name}: {change.text}") for change in frame.changes)
    state = "new frame" if not frame.old else "no longer there" if not frame.new else "unchanged"
    who = dict(words.fates(frame))
    cells = [frame.name, words.costs(frame.before, frame.after), changes or state]
    cells += [who.get(words.OLD_TO_NEW, ""), who.get(words.NEW_TO_OLD, "")]
    return "| " + " | ".join(cells) + " |"


def _cell(text: str) -> str:
    """Text that cannot end a cell or begin any markup."""
    safe = text.replace("\\", "\\\\")
    for letter in "|*_`<>[]":
        safe = safe.replace(letter, f"\\{letter}")
    return " ".join(safe.split())
