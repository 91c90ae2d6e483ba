"""A comparison on the screen: what changed, who understands whom, and what to do."""

import sys
from collections.abc import Iterator
from textwrap import wrap
from typing import TYPE_CHECKING

from ..screen import WIDTH, folded, joined, marked, quoted, say
from . import words
from .given import Given

if TYPE_CHECKING:
    from ullage.revisions.changes import Change
    from ullage.revisions.compare import Comparison, FrameComparison

_MOST = 4
"""So many misreadings of one frame are shown with an example."""


def show(comparison: "Comparison", old: Given, new: Given) -> None:
    """Print one comparison."""
    for line in _head(comparison, old, new):
        say(line)
    if not comparison.same:
        if comparison.common:
            say()
            for line in folded([["every frame", *_of(change)] for change in comparison.common]):
                say(line)
        for frame in comparison.frames:
            say()
            for line in _frame(comparison, frame, old, new):
                say(line)
    say()
    for number, sentence in enumerate(words.closing(comparison)):
        indent = " " * (len(sentence) - len(sentence.lstrip()))
        for line in wrap(sentence, WIDTH, break_on_hyphens=False, subsequent_indent=indent):
            say(marked(line, sys.stdout) if comparison.finding and not number else line)


def _head(comparison: "Comparison", old: Given, new: Given) -> list[str]:
    one, other = comparison.old, comparison.new
    name = other.name if one.name == other.name else f"{one.name} → {other.name}"
    revision = str(one.revision) if one.revision == other.revision else f"{one.revision} → {other.revision}"
    return joined([f"{name}, revision {revision}", f"{old.spoken} → {new.spoken}"], "  ")


def _of(change: "Change") -> list[str]:
    return [change.name, change.text]


def _frame(comparison: "Comparison", frame: "FrameComparison", old: Given, new: Given) -> Iterator[str]:
    own = [change for change in frame.changes if change not in comparison.common]
    state = "new frame" if not frame.old else "no longer there" if not frame.new else "" if own else "unchanged"
    cost = words.costs(frame.before, frame.after)
    yield "  ".join(part for part in (frame.name, cost, state) if part)
    if own:
        yield from folded([_of(change) for change in own], indent="  ")
    yield from folded([list(pair) for pair in words.fates(frame)], indent="  ")
    found = words.misreadings(frame)
    for text, octets, by_new in found[:_MOST]:
        yield marked(f"    {text}", sys.stdout)
        reader = old if by_new else new
        layouts = (comparison.new.frames.get(frame.new or ""), comparison.old.frames.get(frame.old or ""))
        if any(layout is not None and layout.sealing for layout in layouts):
            yield f"      {octets}, before it is sealed"
        elif reader.can_be_named:
            yield f'      ullage explain {quoted(reader.name)} "{octets}"'
        else:
            yield f"      {octets}"
    if len(found) > _MOST:
        yield f"    and {len(found) - _MOST} more fields"


def in_one_line(comparison: "Comparison", old: Given) -> str:
    """One comparison in one line, for `check --deployed`."""
    if comparison.same:
        return f"{old.spoken}: the same on the wire"
    parts = [f"{name} can be misread" for name in (frame.name for frame in comparison.misread)]
    if comparison.clash:
        parts.insert(0, "another layout under the same number")
    answer = "; ".join(parts) + ": ullage compare says more" if parts else "nothing is misread"
    return f"{old.spoken}, revision {comparison.old.revision}: {answer}"
