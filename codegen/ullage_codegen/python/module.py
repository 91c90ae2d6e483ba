"""One Python module from a protocol: classes of the frames, a reader and a writer, the standard library alone.

Only the module of a protocol with sealed frames needs a package, for AES, and has a Receiver and a Sender.

The classes, tables and straight-line functions are written for the protocol; what they call is taken from texts that
are the same for every protocol, and only as far as it is called. Deterministic.
"""

import functools
from pathlib import Path
from typing import Any

import jinja2

from ullage import Protocol, Status, __version__
from ullage.bodies import listed
from ullage.checksum import Sum
from ullage.crc import Crc, reverse_bits
from ullage.layout import Layout, Length, Scaled, Slot, header_slot
from ullage.words.samples import sample

from ..c.text import said, slot_rows
from ..emitted import Emitted
from ..templating import environment
from .lines import code_text, entry_lines, read_lines, slot_lines, slot_name, write_lines
from .names import PyClass, classes, literal, quoted
from .parts import imports, needed

_TEMPLATES = Path(__file__).parent / "templates"
_EXAMPLE_NAMES = frozenset(
    {"octets", "message", "refused", "print", "isinstance", "key", "counter", "sender", "receiver"}
)


def emitted_python(protocol: Protocol, spec_name: str) -> Emitted:
    """Write the Python module of a protocol.

    protocol: what the spec describes. spec_name: the spec's file name, for the first lines. Returns the file, the same
    for the same spec and tool version; it needs Python 3.9 and nothing but its standard library. Raises NameClash when
    two things of the spec would be the same class in Python.
    """
    made = {one.path: one for one in classes(protocol)}
    environment = _environment()
    context = _context(protocol, made)
    types = environment.get_template("python_classes.py.j2").render(context)
    own = environment.get_template("python_frames.py.j2").render(context)
    errors, parts = _parts("python_errors.py.j2"), (*_parts("python_slots.py.j2"), *_parts("python_groups.py.j2"))
    if protocol.seal:
        own += "\n\n" + environment.get_template("python_sealed.py.j2").render(context).lstrip()
        parts = (*parts, *_parts("python_seal.py.j2"))
    wanted = needed((*errors, *parts), types + own)
    body = [*(part for part in errors if part in wanted), types.strip()]
    body += [*(part for part in parts if part in wanted), own.strip()]
    code = "\n\n\n".join(body) + "\n"
    head = environment.get_template("python_head.py.j2").render(
        context, spec_name=spec_name, version=__version__, imports=imports(code), example=_example(made, protocol)
    )
    remark = ", ".join(one.name for path, one in made.items() if len(path) == 1)
    return Emitted(f"{protocol.name}_frames.py", f"{head}\n{code}", remark)


@functools.cache
def _environment() -> jinja2.Environment:
    return environment(__file__, said=said, quoted=quoted, literal=literal)


@functools.cache
def _parts(name: str) -> tuple[str, ...]:
    """The parts of a text of the runtime: what stands between two empty lines."""
    text, _, _ = _environment().loader.get_source(_environment(), name)  # type: ignore[union-attr]
    return tuple(part.strip("\n") for part in text.split("\n\n\n"))


def _context(protocol: Protocol, made: dict[tuple[str, ...], PyClass]) -> dict[str, Any]:
    """What the templates ask for."""
    names = {path: one.name for path, one in made.items()}
    return {
        "p": protocol,
        "made": made,
        "frames": [(layout, made[layout.name,]) for layout in protocol.frames.values()],
        "ambiguous": any(one.ambiguous for one in made.values()),
        "variable": any(not layout.fixed for layout in protocol.frames.values()),
        **_seal_context(protocol),
        "statuses": {str(status): int(status) for status in Status},
        "slot_rows": lambda layout: slot_rows(protocol, layout),
        "slots": lambda layout: slot_lines(layout.name, (layout.name,), layout.entries),
        "entries": lambda layout: entry_lines((layout.name,), layout.entries, names),
        "slot_names": lambda layout: [
            slot_name((layout.name,), slot, place) for place, slot in enumerate(layout.slots)
        ],
        "read": read_lines,
        "write": write_lines,
        "extent": _extent,
        "length": _length,
        "check": _check(protocol),
        "revision": protocol.revision_slot,
        "message": protocol.message_slot,
        "destination": protocol.destination_slot,
        "broadcast": _broadcast(protocol.destination_slot),
        "code": code_text,
        "before": _before,
        "header_and_check": _header_and_check(protocol),
        "known": ", ".join(str(layout.message) for layout in protocol.frames.values()),
    }


def _extent(layout: Layout) -> str:
    """How many octets a frame has, in words."""
    return str(layout.octets) if layout.octets == layout.least_octets else f"{layout.least_octets}..{layout.octets}"


def _broadcast(slot: Slot | None) -> int | None:
    return slot.transform.broadcast if slot is not None and isinstance(slot.transform, Scaled) else None


def _seal_context(protocol: Protocol) -> dict[str, Any]:
    """What the templates ask for where frames are sealed: where the parts of key and nonce stand."""
    destination = protocol.destination_slot

    def named(layout: Layout, name: str) -> str:
        return slot_name((layout.name,), layout.slot(name), 0)

    def source(layout: Layout) -> str:
        nonce = protocol.seal.nonce if protocol.seal else ()
        return next(named(layout, name) for name in nonce if layout.slot(name).kind == "source")

    return {
        "sealed": protocol.seal is not None,
        "opener": ", opener" if protocol.seal else "",
        "nonce": lambda layout: ", ".join(named(layout, name) for name in protocol.seal.nonce) if protocol.seal else "",
        "source": header_slot(protocol.frames, "source"),
        "source_of": source,
        "destination_of": lambda layout: named(layout, destination.name) if destination else None,
        "sequence": lambda layout: next((slot for slot in layout.values if slot.kind == "sequence"), None),
    }


def _before(octets: int) -> str:
    """The expression for the bits before so many octets."""
    return f"8 * count - {8 * octets}" if octets else "8 * count"


def _header_and_check(protocol: Protocol) -> str:
    """What every frame has at least, for a refusal of fewer octets."""
    tag = min(layout.tag_octets for layout in protocol.frames.values())
    parts = ["header"] if protocol.least_octets > protocol.check_octets + tag else []
    parts += [*(["tag"] if tag else []), *([protocol.integrity.noun] if protocol.integrity else [])]
    return f"{listed(parts)} take{'s' if len(parts) == 1 else ''} {protocol.least_octets}" if parts else ""


def _length(layout: Layout) -> dict[str, Any] | None:
    """A frame's length slot: its code in `word`, what that must be, and its mask and place for the writer."""
    slot = layout.length_slot
    if slot is None or not isinstance(slot.transform, Length):
        return None
    less = slot.end // 8 if slot.transform.covers == "rest" else 0
    total: int | str = 8 * layout.body_octets if layout.fixed else "bits"
    there = f"count - {less}" if less else "count"
    written = f"{layout.end_octets - less:+d}".replace("+", "+ ").replace("-", "- ")
    made = f"len(body) {written}" if layout.end_octets != less else "len(body)"
    return {"slot": slot, "code": code_text(slot, total), "there": there, "made": made}


def _check(protocol: Protocol) -> dict[str, Any] | None:
    """The CRC or sum as the template writes it: which way, and the numbers of that way."""
    integrity = protocol.integrity
    if integrity is None:
        return None
    check = integrity.check
    found: dict[str, Any] = {"octets": check.octets, "first": integrity.first_octet, "high_first": integrity.high_first}
    found["noun"] = integrity.noun
    if isinstance(check, Sum):
        mask = (1 << check.bits) - 1
        return {**found, "name": check.name, "way": "sum", "start": check.start, "mask": mask, "invert": check.invert}
    return {**found, "name": check.name or f"width {check.width}, poly 0x{check.poly:x}", **_crc(check)}


def _crc(crc: Crc) -> dict[str, Any]:
    """How a CRC is computed: by the standard library where it has it, else by a table of octets."""
    width, xorout = crc.width, crc.xorout
    if (width, crc.poly, crc.refin, crc.refout) == (16, 0x1021, False, False):
        return {"way": "hqx", "init": crc.init, "xorout": xorout}
    if (width, crc.poly, crc.refin, crc.refout) == (32, 0x04C11DB7, True, True):
        # zlib.crc32 takes and gives the register inverted.
        ones = 0xFFFFFFFF
        return {"way": "zlib", "init": reverse_bits(crc.init, 32) ^ ones, "xorout": xorout ^ ones}
    spare = 0 if crc.refin else max(0, 8 - width)  # a narrow CRC lies at the upper end of eight bits
    return {
        "way": "table",
        "refin": crc.refin,
        "swap": crc.refin != crc.refout,
        "width": width,
        "spare": spare,
        "bits": width + spare,
        "poly": reverse_bits(crc.poly, width) if crc.refin else crc.poly << spare,
        "init": reverse_bits(crc.init, width) if crc.refin else crc.init << spare,
        "xorout": xorout,
    }


def _example(made: dict[tuple[str, ...], PyClass], protocol: Protocol) -> dict[str, Any]:
    """A message to send for the first lines of the module, and a field of it to print."""
    layout = next((one for one in protocol.frames.values() if one.sealing), next(iter(protocol.frames.values())))
    values = sample(layout)
    alias = "frames" if protocol.name in _EXAMPLE_NAMES else protocol.name
    call = _call((layout.name,), values, made, alias)
    shown = [field.name for field in made[layout.name,].fields if field.name in values]
    example = {"alias": alias, "call": call, "class": made[layout.name,].name, "shown": shown[-2:]}
    return {**example, **_sealed_example(protocol, layout, values)} if protocol.seal else example


def _sealed_example(protocol: Protocol, layout: Layout, values: dict[str, Any]) -> dict[str, Any]:
    """Whose key the example is sealed with, and the values that its sender is given."""
    assert protocol.seal is not None
    nonce = [layout.slot(name) for name in protocol.seal.nonce]
    source, sequence, to = next(one for one in nonce if one.kind == "source"), nonce[-1], protocol.destination_slot
    station = values[source.name]
    owner = values[to.name] if to and station == protocol.seal.hub else station
    given = {name: value for name, value in values.items() if name not in (source.name, sequence.name)}
    return {"frame": layout.name, "station": station, "owner": owner, "sent": _plain(given)}


def _plain(value: Any) -> str:
    """Values as Python writes them, without a backslash, for a docstring."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{literal(name)}: {_plain(one)}" for name, one in value.items()) + "}"
    if isinstance(value, tuple):
        return "[" + ", ".join(map(_plain, value)) + "]"
    if isinstance(value, bytes):
        return f'bytes.fromhex("{value.hex()}")'
    return literal(value) if isinstance(value, str) else repr(value)


def _call(path: tuple[str, ...], values: dict[str, Any], made: dict[tuple[str, ...], PyClass], alias: str) -> str:
    arguments = []
    for name, value in values.items():
        if isinstance(value, dict):
            text = _call((*path, name), value, made, alias)
        elif isinstance(value, tuple):
            items = [_call((*path, name), item, made, alias) for item in value]
            text = f"({', '.join(items)}{',' if len(items) == 1 else ''})"
        elif isinstance(value, bytes):  # no backslash in a docstring
            text = f'bytes.fromhex("{value.hex()}")'
        else:
            text = literal(value) if isinstance(value, str) else repr(value)
        arguments.append(f"{name}={text}")
    return f"{alias}.{made[path].name}({', '.join(arguments)})"
