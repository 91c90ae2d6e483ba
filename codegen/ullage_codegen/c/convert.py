"""C that gives a member of the newest struct what the same field of an older one means, or says that it is missing.

Fields meet by name. Quantities go from whole steps to whole steps, special codes and choices by their names. All limits
are worked out here, in Python's whole numbers, so that the C compares and multiplies nothing that could overflow.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from ullage.layout import Binary32, Choice, Flag, Opaque, Scaled, Text

from .model import CType, Member

_NUMBERS = frozenset({"measure", "count"})


@dataclass(frozen=True)
class Conversion:
    """Statements for one member. missing: "never" where the old revision always has it, "sometimes", or "always"."""

    lines: list[str]
    missing: str


def chain(branches: list[tuple[str, list[str]]], last: list[str]) -> list[str]:
    """if, else if, else: the first condition that holds has its statements run, else the last ones."""
    if not branches:
        return last
    lines: list[str] = []
    for place, (condition, inside) in enumerate(branches):
        lines += [f"{'} else ' if place else ''}if ({condition}) {{", *(f"    {line}" for line in inside)]
    return [*lines, *(["} else {", *(f"    {line}" for line in last)] if last else []), "}"]


def loop(count: int, statement: str, start: int = 0) -> list[str]:
    """A statement for each place of an array."""
    return [f"for (place = {start}u; place < {count}u; place++) {{", f"    {statement}", "}"] if start < count else []


def nothing(member: Member) -> int:
    """What a plain member that is missing holds: a content that no encoder takes where there is one, else 0.

    It lies at the far end of the type, beside the special codes where there are any.
    """
    if isinstance(member.slot.transform, Binary32):
        return 0x7FC00000  # a quiet NaN
    if member.total:
        return 0
    ctype, taken = member.ctype, {condition.value for condition in member.conditions}
    if isinstance(member.slot.transform, Choice):
        return next(value for value in range(ctype.highest, -1, -1) if value not in taken)
    ends = (_up, _down) if ctype.signed else (_down, _up)
    for end in ends:
        for value in end(member):
            if value not in taken:
                return value
    raise AssertionError(f"{member.name} is total")


def _up(member: Member) -> Iterator[int]:
    """From the type's lowest value up to the range."""
    return iter(range(member.ctype.lowest, member.lowest))


def _down(member: Member) -> Iterator[int]:
    """From the type's highest value down to the range."""
    return iter(range(member.ctype.highest, member.highest, -1))


def without(target: Member, mark: list[str]) -> list[str]:
    """Statements for a member that is missing. mark: those that note it."""
    value = f"values->{target.name}"
    match target.slot.transform:
        case Text():
            # No text that can be sent begins so, and whoever prints it still meets its end.
            return [f"{value}[0] = '\\1';", *loop(target.length, f"{value}[place] = '\\0';", 1), *mark]
        case Opaque():
            return [*loop(target.length, f"{value}[place] = 0u;"), *mark]
    return [f"{value} = {target.ctype.literal(nothing(target))};", *mark]


def convert(target: Member, source: Member | None, mark: list[str]) -> Conversion:
    """Statements that set `values->..` of the newest struct from `old->..`.

    target, source: members of the two structs with the same field name, source None where the old one has no such
    field. mark: the statements that note that the member is missing.
    """
    miss = without(target, mark)
    if source is None:
        return Conversion(miss, "always")
    value, given = f"values->{target.name}", f"old->{source.name}"
    match target.slot.transform, source.slot.transform:
        case Scaled() as new, Scaled() as old if _same_meaning(target, source, new, old):
            return _scaled(target, source, new, old, miss)
        case Choice(), Choice():
            return _choice(target, source, miss)
        case Flag(), Flag():
            return Conversion([f"{value} = {given};"], "never")
        case Binary32(unit), Binary32(other) if unit == other:
            return Conversion([f"{value} = {given};"], "never")
        case Opaque(octets), Opaque(others) if octets == others:
            return Conversion(loop(octets, f"{value}[place] = {given}[place];"), "never")
        case Text(octets), Text(others):
            # Both end with a zero, and an old text has zeros from its end on.
            copied = loop(min(octets, others) + 1, f"{value}[place] = {given}[place];")
            if octets < others:
                return Conversion(chain([(f"{given}[{octets}] != '\\0'", miss)], copied), "sometimes")
            return Conversion([*copied, *loop(octets + 1, f"{value}[place] = '\\0';", others + 1)], "never")
    return Conversion(miss, "always")


def _same_meaning(target: Member, source: Member, new: Scaled, old: Scaled) -> bool:
    kinds = {target.slot.kind, source.slot.kind}
    return (len(kinds) == 1 or kinds <= _NUMBERS) and (new.unit, new.epoch) == (old.unit, old.epoch)


def _cast(text: str, ctype: CType, given: CType) -> str:
    return text if ctype == given else f"({ctype.name}){text}"


def _scaled(target: Member, source: Member, new: Scaled, old: Scaled, miss: list[str]) -> Conversion:
    """Special codes by name, then everybody, then the limits, then the steps."""
    value, given = f"values->{target.name}", f"old->{source.name}"
    named = {condition.name: condition.constant for condition in target.conditions}
    branches: list[tuple[str, list[str]]] = []
    tests: list[str] = []
    for condition in source.conditions:
        test = f"{given} == {condition.constant}"
        if condition.name in named:
            branches.append((test, [f"{value} = {named[condition.name]};"]))
        else:
            tests.append(test)
    everybody, limits = _everybody(target, source, new, old)
    branches += everybody
    steps = _steps(target, source, old, new)
    tests += [*limits, *steps.tests]
    last = steps.last
    branches += [(test, [f"{value} = {literal};"]) for test, literal in steps.single]
    if not last:
        if steps.every and steps.single and not tests:
            return Conversion(chain(branches[:-1], branches[-1][1]), "never")
        return Conversion(chain(branches, miss), "sometimes" if branches else "always")
    if tests:
        branches.append((" || ".join(tests), miss))
    return Conversion(chain(branches, [f"{value} = {last};"]), "sometimes" if tests else "never")


def _everybody(
    target: Member, source: Member, new: Scaled, old: Scaled
) -> tuple[list[tuple[str, list[str]]], list[str]]:
    """A broadcast address stays the broadcast address; a plain station that would now be it is missing."""
    branches: list[tuple[str, list[str]]] = []
    tests: list[str] = []
    if new.broadcast == old.broadcast:
        return branches, tests
    given = f"old->{source.name}"
    if old.broadcast is not None:
        test = f"{given} == {source.ctype.literal(old.broadcast)}"
        if new.broadcast is None:
            tests.append(test)
        else:
            branches.append((test, [f"values->{target.name} = {target.ctype.literal(new.broadcast)};"]))
    if new.broadcast is not None and old.lowest <= new.broadcast <= old.highest:
        tests.append(f"{given} == {source.ctype.literal(new.broadcast)}")
    return branches, tests


@dataclass(frozen=True)
class _Steps:
    """How steps become steps. tests: conditions that they cannot. last: the expression where they can, or "".

    single: instead, condition and value for the one or two steps that can. every: whether the old has no other ones.
    """

    tests: list[str]
    last: str
    single: list[tuple[str, str]]
    every: bool = False


def _steps(target: Member, source: Member, old: Scaled, new: Scaled) -> _Steps:
    """Steps of the old that are whole steps of the new, inside its range: old = k x q and new = k x p, k from..to."""
    ratio = old.step / new.step
    p, q = ratio.numerator, ratio.denominator
    start = max(-(-old.lowest // q), -(-new.lowest // p))
    stop = min(old.highest // q, new.highest // p)
    given, took = f"old->{source.name}", source.ctype
    if stop < start:
        return _Steps([], "", [])
    if stop - start <= 1 and (p, q) != (1, 1):
        # One or two steps are named one by one: p or q may be too large for the type then.
        pairs = [
            (f"{given} == {took.literal(k * q)}", target.ctype.literal(k * p)) for k in dict.fromkeys((start, stop))
        ]
        return _Steps([], "", pairs, old.highest - old.lowest + 1 == len(pairs))
    tests: list[str] = []
    if (start - 1) * q >= old.lowest:
        tests.append(f"{given} < {took.literal(start * q)}")
    if (stop + 1) * q <= old.highest:
        tests.append(f"{given} > {took.literal(stop * q)}")
    if q > 1:
        tests.append(f"{given} % {took.literal(q)} != {took.literal(0)}")
        given = f"({given} / {took.literal(q)})"
    if p == 1:
        text = _cast(given, target.ctype, took) if q == 1 else f"({target.ctype.name}){given}"
        return _Steps(tests, text, [])
    text = f"({target.ctype.name})({_cast(given, target.ctype, took)} * {target.ctype.literal(p)})"
    return _Steps(tests, text, [])


def _choice(target: Member, source: Member, miss: list[str]) -> Conversion:
    """By name: renumbered choices one by one, all that kept their code in one go."""
    value, given = f"values->{target.name}", f"old->{source.name}"
    named = {condition.name: condition for condition in target.conditions}
    branches: list[tuple[str, list[str]]] = []
    gone: list[str] = []
    plain = False
    for condition in source.conditions:
        test, same = f"{given} == {condition.constant}", named.get(condition.name)
        if same is None:
            gone.append(test)
        elif same.code != condition.code:
            branches.append((test, [f"{value} = {same.constant};"]))
        else:
            plain = True
    if not plain and not branches:
        return Conversion(miss, "always")
    if plain:
        branches += [(" || ".join(gone), miss)] if gone else []
        last = [f"{value} = {_cast(given, target.ctype, source.ctype)};"]
    else:
        last = miss if gone else branches.pop()[1]
    return Conversion(chain(branches, last), "sometimes" if gone else "never")
