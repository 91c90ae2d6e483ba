"""What changed from one revision of a frame to another, field by field, in words."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from ..layout import Layout, Slot
from ..protocol import Protocol
from ..words.describe import Line, describe
from .meaning import Renames


@dataclass(frozen=True, slots=True)
class Change:
    """One change. name: of the field, list, group or check; text: what it was and what it is now."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class _Field:
    line: Line
    place: int | None


def changes(old: Protocol, before: Layout, new: Protocol, after: Layout, renames: Renames) -> tuple[Change, ...]:
    """The changes of one frame in the new one's wire order, what is gone last.

    old, before: the protocol and its frame; new, after: what became of it. renames: old names -> new names.
    """
    was, now = _fields(old, before), _fields(new, after)
    was = {".".join(renames.received(part) for part in name.split(".")): one for name, one in was.items()}
    found = [Change("(frame)", f"{before.name} is now {after.name}")] if before.name != after.name else []
    if before.message != after.message:
        found.append(Change("(message code)", f"{before.message} → {after.message}"))
    one, other = _sealed(old, before), _sealed(new, after)
    if one != other:
        found.append(Change("(seal)", "; ".join(_seal_changes(one, other))))
    for name, field in now.items():
        earlier = was.get(name)
        text = f"new: {_said(field)}" if earlier is None else "; ".join(_compared(earlier, field))
        if text:
            found.append(Change(name, text))
    found += [Change(name, f"gone (it was {_said(field)})") for name, field in was.items() if name not in now]
    return tuple(found)


def _sealed(protocol: Protocol, layout: Layout) -> dict[str, str]:
    """How a frame is sealed, each thing in words; nothing where it is not."""
    seal, sealing = protocol.seal, layout.sealing
    if seal is None or sealing is None:
        return {}
    encrypted = "nothing" if sealing.first_octet is None else f"from octet {sealing.first_octet} on"
    return {
        "tag": f"{seal.tag_octets} octets",
        "encrypted": encrypted,
        "key": f"{seal.key_bits} bits",
        "counter": f"{seal.counter_bits} bits",
        "nonce": ", ".join(seal.nonce),
        "network": f"{seal.network} in {seal.network_octets} octets",
        "hub": str(seal.hub),
        "group key": "yes" if seal.group_key else "no",
    }


def _seal_changes(was: dict[str, str], now: dict[str, str]) -> Iterator[str]:
    if not was or not now:
        yield "not sealed → sealed" if now else "sealed → not sealed"
    else:
        yield from (f"{name} {was[name]} → {now[name]}" for name in now if was[name] != now[name])


def _fields(protocol: Protocol, layout: Layout) -> dict[str, _Field]:
    """Full name -> what `describe` says of it; the check under the name of what it is."""
    found: dict[str, _Field] = {}
    path: list[str] = []
    lines = describe(layout, protocol.integrity)
    places = dict(enumerate(layout.slots))
    for number, line in enumerate(lines):
        if line.name == "(fill)":
            continue
        if protocol.integrity and number == len(lines) - 1:
            found["(check)"] = _Field(_check(line, protocol.integrity.first_octet), None)
            continue
        path[line.depth :] = [line.name]
        slot = places.get(number)
        found[".".join(path)] = _Field(line, slot.offset if isinstance(slot, Slot) else None)
    return found


def _check(line: Line, first_octet: int) -> Line:
    """The check's line without how many octets it covers, which follows from the rest."""
    return replace(line, reading=line.name + (f" from octet {first_octet} on" if first_octet else ""))


def _compared(one: _Field, other: _Field) -> Iterator[str]:
    """What differs between two lines of the same name."""
    was, now = one.line, other.line
    bits = f"{was.bits} → {now.bits} bits" if was.bits != now.bits else f"still {now.bits} bits"
    if was.reading != now.reading:
        yield f"{was.reading} → {now.reading}, {bits}" if was.bits and now.bits else f"{was.reading} → {now.reading}"
    elif was.bits != now.bits:
        yield bits
    if was.codes != now.codes and _named(was.codes) != _named(now.codes):
        yield f"{was.codes or 'no codes'} → {now.codes or 'no codes'}"
    if one.place is not None and other.place is not None and one.place != other.place:
        yield f"moved from bit {one.place} to bit {other.place}"


def _named(codes: str) -> str:
    """Codes without how many are unused, which follows, and without what an interval says, which is not sent."""
    told = (part for part in codes.split("; ") if not part.endswith(" unused") and " at one every " not in part)
    return "; ".join(told)


def _said(one: _Field) -> str:
    line = one.line
    codes = f", {_named(line.codes)}" if _named(line.codes) else ""
    return f"{line.reading}{codes}" + (f", {line.bits} bit{'s' if line.bits != 1 else ''}" if line.bits else "")
