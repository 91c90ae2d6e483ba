"""Two revisions of a protocol: what changed, who still understands whom, and which end is to be changed first."""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from ..layout import Layout
from ..protocol import Protocol
from ..receiver import Receiver
from ..words.describe import radio
from .changes import Change, changes
from .meaning import Renames
from .opened import stand_ins
from .outcome import Outcome, Verdict, again, merged, outcome


@dataclass(frozen=True, slots=True)
class Cost:
    """What a frame costs: octets of the shortest and the longest, time on air of the longest in µs or None."""

    least_octets: int
    octets: int
    air_us: Fraction | None


@dataclass(frozen=True)
class FrameComparison:
    """One frame in both revisions.

    old, new: its names there, None where it does not exist. changes: in words. before, after: what it costs.
    new_reads_old, old_reads_new: what becomes of it at the other end. both_reads_old, both_reads_new: at a receiver
    built for both, the new one first. Each None where the sender does not have the frame, or no such receiver can be.
    """

    old: str | None
    new: str | None
    changes: tuple[Change, ...]
    before: Cost | None
    after: Cost | None
    new_reads_old: Outcome | None
    old_reads_new: Outcome | None
    both_reads_old: Outcome | None
    both_reads_new: Outcome | None

    @property
    def name(self) -> str:
        """What to call it."""
        return self.new or self.old or ""

    @property
    def misread(self) -> bool:
        """Whether one end silently reads the other's frames wrongly."""
        return any(one is not None and one.verdict is Verdict.MISREADS for one in self.across)

    @property
    def across(self) -> tuple[Outcome | None, Outcome | None]:
        """What becomes of the frames at the other end: the old ones, the new ones."""
        return self.new_reads_old, self.old_reads_new


@dataclass(frozen=True)
class Comparison:
    """Two revisions. frames: in the new one's order, what is gone last."""

    old: Protocol
    new: Protocol
    frames: tuple[FrameComparison, ...]

    @cached_property
    def same(self) -> bool:
        """Whether nothing on the wire differs."""
        return self.old.fingerprint == self.new.fingerprint

    @cached_property
    def clash(self) -> bool:
        """Whether one revision number stands for two layouts."""
        names = (self.old.name, self.old.revision) == (self.new.name, self.new.revision)
        return names and not self.same

    @property
    def misread(self) -> tuple[FrameComparison, ...]:
        """The frames that one end silently reads wrongly."""
        return tuple(frame for frame in self.frames if frame.misread)

    @property
    def finding(self) -> bool:
        """Whether a network with both revisions in it is in danger."""
        return self.clash or bool(self.misread)

    @cached_property
    def common(self) -> tuple[Change, ...]:
        """The changes that every frame has alike: those of header and check."""
        every = [frame.changes for frame in self.frames if frame.old and frame.new]
        return tuple(change for change in every[0] if all(change in one for one in every)) if len(every) > 1 else ()

    @property
    def first(self) -> str:
        """Which end can be changed first: "receiver", "sender", "together" (neither alone), or "any".

        The receiver when a new one, built for both revisions if need be, reads what old senders send; the sender when
        old receivers read what new ones send.
        """
        if self.same:
            return "any"
        if self._all(lambda frame: frame.both_reads_old or frame.new_reads_old):
            return "receiver"
        return "sender" if self._all(lambda frame: frame.old_reads_new) else "together"

    @property
    def needs_both(self) -> bool:
        """Whether the new receiver must be built for both revisions to read what old senders send."""
        return not self.clash and not self._all(lambda frame: frame.new_reads_old)

    def _all(self, which: "Callable[[FrameComparison], Outcome | None]") -> bool:
        found = [which(frame) for frame in self.frames]
        return all(one is None or one.verdict is Verdict.UNDERSTANDS for one in found)


def compare(old: Protocol, new: Protocol, renames: Renames | None = None) -> Comparison:
    """Hold two revisions of a protocol beside each other.

    old, new: the protocols. renames: old names -> new names that mean the same. Returns what changed, and what becomes
    of each frame at the other end: tried on the real codecs, see `outcome`.
    """
    renames = renames or Renames()
    # A receiver of both is asked only where it can exist: one revision number names one layout.
    distinct = (old.name, old.revision) != (new.name, new.revision)
    pairs = _paired(old, new, renames)
    return Comparison(old, new, tuple(_frame(old, new, one, other, renames, distinct) for one, other in pairs))


def _paired(old: Protocol, new: Protocol, renames: Renames) -> list[tuple[Layout | None, Layout | None]]:
    """Frames of the same name, then those left with the same message code, then those of one side only."""
    left = {renames.received(name): layout for name, layout in old.frames.items()}
    found: dict[str, Layout | None] = {name: left.pop(name, None) for name in new.frames}
    codes = {layout.message: name for name, layout in left.items()}
    for name, layout in new.frames.items():
        if found[name] is None and layout.message in codes:
            found[name] = left.pop(codes.pop(layout.message))
    return [
        *((found[name], layout) for name, layout in new.frames.items()),
        *((layout, None) for layout in left.values()),
    ]


def _frame(
    old: Protocol, new: Protocol, before: Layout | None, after: Layout | None, renames: Renames, distinct: bool
) -> FrameComparison:
    if before and after:
        renames = renames.between(before, after)
    here = _both_ways(old, before, new, renames, distinct) if before else (None, None)
    there = _both_ways(new, after, old, renames.turned, distinct) if after else (None, None)
    return FrameComparison(
        before.name if before else None,
        after.name if after else None,
        changes(old, before, new, after, renames) if before and after else (),
        _cost(old, before) if before else None,
        _cost(new, after) if after else None,
        here[0],
        there[0],
        here[1],
        there[1],
    )


def _both_ways(
    sender: Protocol, layout: Layout, other: Protocol, renames: Renames, distinct: bool
) -> tuple[Outcome, Outcome | None]:
    """What becomes of a frame at the other end, and at a receiver built for both."""
    alone, both = [], []
    for one, two in stand_ins(sender, layout, other):
        alone.append(outcome(one, layout.name, two, renames))
        if distinct:
            receiver = Receiver((two, one))
            both.append(again(alone[-1], one, receiver.decode, renames))
    return merged(alone), merged(both) if both else None


def _cost(protocol: Protocol, layout: Layout) -> Cost:
    settings = radio(protocol)
    return Cost(layout.least_octets, layout.octets, settings.time_on_air_us(layout.octets) if settings else None)
