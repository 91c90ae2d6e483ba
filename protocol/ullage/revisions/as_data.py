"""A comparison as plain data for JSON: what `ullage compare --json` prints."""

from fractions import Fraction
from typing import Any

from ..protocol import Protocol
from .changes import Change
from .compare import Comparison, Cost, FrameComparison
from .outcome import Example, Outcome


def as_data(comparison: Comparison) -> dict[str, Any]:
    """Two revisions as plain data; see the help of `ullage compare` for its form."""
    return {
        "old": _protocol(comparison.old),
        "new": _protocol(comparison.new),
        "same": comparison.same,
        "revision_clash": comparison.clash,
        "misread": [frame.name for frame in comparison.misread],
        "finding": comparison.finding,
        "change_first": comparison.first,
        "built_for_both": comparison.needs_both,
        "frames": [_frame(frame) for frame in comparison.frames],
    }


def _protocol(protocol: Protocol) -> dict[str, Any]:
    return {"name": protocol.name, "revision": protocol.revision, "fingerprint": protocol.fingerprint}


def _frame(frame: FrameComparison) -> dict[str, Any]:
    return {
        "old": frame.old,
        "new": frame.new,
        "changes": [_change(change) for change in frame.changes],
        "before": _cost(frame.before),
        "after": _cost(frame.after),
        "new_reads_old": _outcome(frame.new_reads_old),
        "old_reads_new": _outcome(frame.old_reads_new),
        "both_reads_old": _outcome(frame.both_reads_old),
        "both_reads_new": _outcome(frame.both_reads_new),
    }


def _change(change: Change) -> dict[str, str]:
    return {"name": change.name, "text": change.text}


def _cost(cost: Cost | None) -> dict[str, Any] | None:
    if cost is None:
        return None
    ms = None if cost.air_us is None else float(cost.air_us / Fraction(1000))
    return {"least_octets": cost.least_octets, "octets": cost.octets, "air_ms": ms}


def _outcome(outcome: Outcome | None) -> dict[str, Any] | None:
    if outcome is None:
        return None
    refused = [{"reason": str(reason), **_example(one)} for reason, one in outcome.refused.items()]
    misread = [
        {"field": difference.path, "sent": difference.sent, "read": difference.read, "octets": one.octets.hex(" ")}
        for difference, one in outcome.misread
    ]
    return {
        "verdict": outcome.verdict.value,
        "understood": _example(outcome.understood) if outcome.understood else None,
        "refused": refused,
        "misread": misread,
        "unseen": list(outcome.unseen),
        "passes_by_luck_once_in": None if outcome.lucky is None else 1 << outcome.lucky,
    }


def _example(example: Example) -> dict[str, Any]:
    return {"octets": example.octets.hex(" "), "text": example.text, "field": example.field}
