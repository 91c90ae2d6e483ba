"""What becomes of frames at the other end, and what to do, in sentences; the same on the screen and on a page."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ullage.revisions.compare import Comparison, Cost, FrameComparison
    from ullage.revisions.outcome import Outcome

OLD_TO_NEW = "old sender, new receiver"
NEW_TO_OLD = "new sender, old receiver"


def fate(outcome: "Outcome") -> str:
    """What becomes of one kind of frame."""
    from ullage.revisions.outcome import Verdict

    reasons = ", ".join(
        f"{reason} in {example.field}" if outcome.verdict is Verdict.SOME and example.field else str(reason)
        for reason, example in outcome.refused.items()
    )
    text = {
        Verdict.UNDERSTANDS: "understands",
        Verdict.SOME: f"understands some, refuses others: {reasons}",
        Verdict.REFUSES: f"refuses: {reasons}",
        Verdict.MISREADS: "misreads silently",
    }[outcome.verdict]
    if outcome.unseen and outcome.verdict in (Verdict.UNDERSTANDS, Verdict.SOME):
        text += f"; does not see {_listed(outcome.unseen)}"
    if outcome.lucky is not None and outcome.verdict is not Verdict.UNDERSTANDS:
        text += f"; one frame in {1 << outcome.lucky} passes its check by luck"
    return text


def fates(frame: "FrameComparison") -> list[tuple[str, str]]:
    """Who, and what becomes of the frames, in both directions."""
    found = []
    if frame.new_reads_old:
        found.append((OLD_TO_NEW, _with_both(frame.new_reads_old, frame.both_reads_old)))
    if frame.old_reads_new:
        found.append((NEW_TO_OLD, fate(frame.old_reads_new)))
    return found


def _with_both(alone: "Outcome", both: "Outcome | None") -> str:
    """What a new receiver makes of old frames, alone and when it is built for both revisions."""
    from ullage.revisions.outcome import Verdict

    text = fate(alone)
    if both is None or both.verdict is alone.verdict:
        return text
    verdict = "understands" if both.verdict is Verdict.UNDERSTANDS else fate(both)
    return f"{text}; built for both it {verdict}"


def misreadings(frame: "FrameComparison") -> list[tuple[str, str, bool]]:
    """Each thing that is silently misread: the sentence, a frame as hex, and whether the new spec's sender sent it."""
    found = []
    for outcome, by_new in ((frame.new_reads_old, False), (frame.old_reads_new, True)):
        for difference, example in outcome.misread if outcome else ():
            way = "new → old: " if by_new else "old → new: "
            found.append((way + str(difference), example.octets.hex(" "), by_new))
    return found


def costs(before: "Cost | None", after: "Cost | None") -> str:
    """Octets and time on air, before and after."""
    from ullage.words.describe import air_time

    one, other = before or after, after or before
    if one is None or other is None:
        return ""
    text = f"{_octets(one)} → {_octets(other)} octets" if before and after else f"{_octets(other)} octets"
    if one.air_us is not None and other.air_us is not None:
        was, now = air_time(one.air_us), air_time(other.air_us)
        shared = was.removesuffix(f" {now.split()[1]}")
        text += f", {shared} → {now} on air" if before and after else f", {now} on air"
    return text


def _octets(cost: "Cost") -> str:
    return str(cost.octets) if cost.least_octets == cost.octets else f"{cost.least_octets}..{cost.octets}"


def closing(comparison: "Comparison") -> list[str]:
    """The answer, and what to do next."""
    old, new = comparison.old, comparison.new
    if comparison.same:
        return [f"fine: the same on the wire, fingerprint {new.fingerprint}."]
    lines: list[str] = []
    if comparison.clash:
        marks = f"fingerprints {old.fingerprint} and {new.fingerprint}"
        lines.append(f"revision {new.revision} names two layouts: {marks}.")
        lines.append(f"  help: revision = {_next(comparison)} in the new spec")
    if comparison.misread:
        names = _listed([frame.name for frame in comparison.misread])
        lines.append(f"{names} can be misread without anybody noticing.")
        lines += [] if comparison.clash else [f"  help: {_cure(comparison)}"]
    if not lines:
        lines.append(f"fine: nothing is misread. {_flash(comparison)}")
        lines += [*_orders(comparison), *_sealed(comparison), *_turned(comparison)]
    return lines


def _next(comparison: "Comparison") -> int:
    return comparison.new.revision + 1


def _cure(comparison: "Comparison") -> str:
    new = comparison.new
    if comparison.old.name == new.name and new.revision_slot is not None and comparison.old.revision_slot is not None:
        return "leave header and check as they are; then each end can tell the other's revision"
    return (
        "a revision in the header of both lets each end tell the other's frames; or give the frame a new message code"
    )


def _flash(comparison: "Comparison") -> str:
    if comparison.first == "receiver" and comparison.needs_both:
        return (
            "Flash the receiver first, built for both revisions: it understands both until the last node has changed."
        )
    if comparison.first == "receiver":
        return "Flash the receiver first: it understands old nodes as they are."
    if comparison.first == "sender":
        return "Flash the nodes first: old receivers understand them."
    return "Neither end understands all of the other's frames: change both together, or expect losses until then."


def _orders(comparison: "Comparison") -> list[str]:
    """Frames that go to the nodes, where the nodes are the receivers."""
    names = [
        name for name, layout in comparison.new.frames.items() if any(slot.role == "order" for slot in layout.slots)
    ]
    if not names or comparison.first == "sender":
        return []
    return [f"{_listed(names)} goes the other way: there the node is the receiver, and is flashed before it is sent."]


def _sealed(comparison: "Comparison") -> list[str]:
    """What sealing means for the time in which both revisions are read."""
    old, new = comparison.old, comparison.new
    lines = []
    opened = [name for name, layout in new.frames.items() if layout.sealing and name in old.frames]
    become = [name for name in opened if not old.frames[name].sealing]
    if become and comparison.needs_both:
        verb = "becomes" if len(become) == 1 else "become"
        lines.append(f"{_listed(become)} {verb} sealed: a receiver of both still takes unsealed ones from anybody.")
    if comparison.needs_both and (old.seal or new.seal):
        lines.append("In C a header that reads both revisions opens no sealed frames; Python's Receiver does.")
    return lines


def _turned(comparison: "Comparison") -> list[str]:
    """A new spec with the lower number is most likely the old one."""
    old, new = comparison.old, comparison.new
    if old.name != new.name or new.revision >= old.revision:
        return []
    return [f"The second spec has the lower revision ({new.revision}, not {old.revision}): is it the other way round?"]


def _listed(names: "list[str] | tuple[str, ...]") -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
