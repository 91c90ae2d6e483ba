"""Test vectors of a protocol as JSON, for any decoder or encoder in any language.

`vector_frames` and `vector_values` say what to try and what must come of it; here the codec is asked, and only what it
really answers is written. A case whose meaning does not hold is left out, or is an error where it had to hold; so is a
reason or status of this protocol that no vector has.
"""

import itertools
import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, TypeVar

from ullage import EncodeError, Message, Protocol, Refused, Status, UllageError, __version__
from ullage.codes import reasons
from ullage.layout import Entry, Repeat, Slot
from ullage.words.as_json import json_values

from ..c.header import encoder_answers
from ..c.text import said, slot_rows
from ..emitted import Emitted
from .frames import DecodeCase, decode_cases
from .seal import PUBLISHED, Held, heard_message, holder, sealed_again, sent
from .sealed import sealed_cases
from .values import EncodeCase, encode_cases

_VERSION = 1
"""Of the form of the file; it grows when a program that reads today's would misread it."""
_EXACT = 1 << 53
"""Whole numbers from here on are not exact in a double."""


class VectorFault(UllageError):
    """The codec does not answer a vector as the spec means it: a fault of Ullage, and no vectors are written."""


@dataclass(frozen=True, slots=True)
class DecodeVector:
    """Octets, the receiving station or None, and the answer: a status, and the frame with its values or the field.

    key, highest: what the receiver holds and has accepted, as in `DecodeCase`. counter: the whole number of an opened
    frame.
    """

    name: str
    octets: bytes
    at: int | None
    status: Status
    frame: str | None
    values: dict[str, Any] | None
    field: str | None
    key: Held | None = None
    highest: int | None = None
    counter: int | None = None


@dataclass(frozen=True, slots=True)
class EncodeVector:
    """Values of a frame, the buffer's octets or None, and the answer: octets, or the status of a refusal.

    key, counter: of a sealed frame, what the sender holds and the number that its counter hands out.
    """

    name: str
    frame: str
    values: dict[str, Any]
    capacity: int | None
    status: Status
    octets: bytes | None
    rounds: bool
    key: Held | None = None
    counter: int | None = None


@dataclass(frozen=True, slots=True)
class Vectors:
    """All vectors of a protocol, with the reasons and statuses that it can give; every one of these has a vector."""

    decode: tuple[DecodeVector, ...]
    encode: tuple[EncodeVector, ...]
    reasons: tuple[Status, ...]
    statuses: tuple[Status, ...]


def vectors(protocol: Protocol) -> Vectors:
    """Make all vectors. The same for the same spec. Raises VectorFault where codec and meaning differ."""
    cases = itertools.chain(decode_cases(protocol), sealed_cases(protocol))
    decode = _named(one for case in cases if (one := _decoded(protocol, case)))
    encode = _named(_encoded(protocol, case) for case in encode_cases(protocol))
    made = Vectors(tuple(decode), tuple(encode), reasons(protocol), possible_statuses(protocol))
    seen = {one.status for one in made.decode} | {one.status for one in made.encode}
    missing = [str(status) for status in (*made.reasons, *made.statuses) if status not in seen]
    if missing:
        raise VectorFault(f"no vector of {protocol.name} gives {', '.join(missing)}")
    return made


def possible_statuses(protocol: Protocol) -> tuple[Status, ...]:
    """What encoders of this protocol can refuse with."""
    can = any(_can_be_outside(layout.entries) for layout in protocol.frames.values())
    found = tuple(status for status in encoder_answers(protocol) if can or status is not Status.OUT_OF_RANGE)
    return (*found, Status.COUNTER_SPENT) if protocol.seal else found


def _can_be_outside(entries: tuple[Entry, ...]) -> bool:
    counted = {entry.counted_by for entry in entries if isinstance(entry, Repeat)}
    for entry in entries:
        if isinstance(entry, Slot):
            if entry.given and entry.name not in counted and not getattr(entry.transform, "clamp", False):
                return True
        elif (isinstance(entry, Repeat) and entry.least) or _can_be_outside(entry.entries):
            return True
    return False


def _decoded(protocol: Protocol, case: DecodeCase) -> DecodeVector | None:
    """The codec's answer to a case, or None where it is not what the case is for."""
    asked, given = (case.name, case.octets, case.at), (case.key, case.highest)
    try:
        message = _heard(protocol, case)
    except Refused as refused:
        vector = DecodeVector(*asked, refused.reason, refused.frame, None, refused.field, *given)
    else:
        vector = DecodeVector(*asked, Status.FINE, message.frame, message.values, None, *given, message.counter)
        again = sealed_again(protocol, message) if message.sealed else protocol.encode(message.frame, message.values)
        if again != case.octets:
            raise VectorFault(f"{case.name}: what was accepted does not encode to the same octets")
    if vector.status not in case.wanted:
        if case.certain:
            raise VectorFault(f"{case.name}: {vector.status} is not what the spec means")
        return None
    return vector


def _heard(protocol: Protocol, case: DecodeCase) -> Message:
    """What is made of a case's octets: by the protocol alone, or by a receiver with the case's key. Raises Refused."""
    if case.key is None:
        return protocol.decode(case.octets, case.at)
    return heard_message(protocol, case.octets, case.at, case.key, case.highest)


def _encoded(protocol: Protocol, case: EncodeCase) -> EncodeVector:
    """The codec's answer to a case."""
    octets: bytes | None = None
    capacity: int | None = None
    key = None if case.number is None else holder(protocol, case.frame, case.values)
    try:
        if case.number is None:
            octets = protocol.encode(case.frame, case.values)
        else:
            octets = sent(protocol, case.frame, case.values, case.number)
        status = Status.FINE
    except EncodeError as error:
        if error.status is None:
            raise VectorFault(f"{case.name}: {error}") from error
        status = error.status
    if octets is not None and case.short:
        capacity, status = len(octets) - case.short, Status.NO_ROOM
        octets = None
    if status is not case.wanted:
        raise VectorFault(f"{case.name}: {status} is not what the spec means")
    answer = (capacity, status, octets, case.rounds)
    return EncodeVector(case.name, case.frame, case.values, *answer, key, case.number)


_Vector = TypeVar("_Vector", DecodeVector, EncodeVector)


def _named(found: Iterable[_Vector]) -> list[_Vector]:
    """Each vector once, with a name that no other has."""
    seen: set[str] = set()
    kept = []
    for vector in found:
        if vector.name not in seen:
            seen.add(vector.name)
            kept.append(vector)
    return kept


# ---- the file -------------------------------------------------------------------------------------------------------

_HOW = (
    "decode: give octets to the decoder, as station 'at' where there is one. Either it accepts frame and values, or it "
    "refuses with 'reason' and touches nothing.",
    "What is accepted also encodes to the same octets.",
    "encode: give values to the frame's encoder. Either it writes octets, or it refuses with 'status' and writes "
    "nothing. Counts of lists and flags of groups follow from the values and are left out.",
    "values: numbers in the field's unit; {'special': name}; choices by name; octets in hex; an absent group is null.",
    "rounds: a value lies between two steps (to the nearest, ties to the even step) or beyond a range that clamps.",
    "capacity: octets in the encoder's buffer. wide: a whole number in it is not exact in a double.",
)
_HOW_SEALED = (
    "key: the receiver, or the sender, holds the key of 'station' (null: the group's) and no other. Without it the "
    "receiver holds none and refuses sealed frames.",
    "highest: the one number that the receiver has accepted before from the frame's source under that key. Without it "
    "nothing is known of the source, and the receiver looks for numbers from 0 on.",
    "counter: the whole number of the frame, which an opened frame must be found to have, or which the sender's "
    "counter hands out; its low bits are the sequence number.",
)
_WARNING = "These keys are printed in standards, so everybody has them: for tests alone, never for a station."


def emitted_vectors(protocol: Protocol, spec_name: str) -> Emitted:
    """The vectors as a file to write.

    protocol: what the spec describes. spec_name: the spec's file name, for the first lines. Returns JSON in ASCII, the
    same for the same spec and tool version, a vector a line. Raises VectorFault.
    """
    made = vectors(protocol)
    counted = len(made.decode) + sum(_in_json(vector.values) for vector in made.encode)
    remark = f"{counted} vectors\n  reasons {' '.join(map(str, made.reasons))}"
    remark += f"\n  statuses {' '.join(map(str, made.statuses))}" if made.statuses else ""
    return Emitted(f"{protocol.name}_vectors.json", _text(protocol, spec_name, made), remark)


def _text(protocol: Protocol, spec_name: str, made: Vectors) -> str:
    """The file: one vector a line, so that people and version control can read it."""
    written = f"Written by ullage {__version__} from {said(spec_name)}."
    head: dict[str, Any] = {
        "about": f"{written} Do not edit: change the spec and emit again.",
        "mark": f"Fingerprint {protocol.fingerprint}. Both ends must show the same one.",
        "version": _VERSION,
        "protocol": protocol.name,
        "revision": protocol.revision,
        "fingerprint": protocol.fingerprint,
    }
    answers = {
        "reasons": {str(status): int(status) for status in made.reasons},
        "statuses": {str(status): int(status) for status in made.statuses},
    }
    lines = ["{", *(f"  {json.dumps(key)}: {json.dumps(value)}," for key, value in head.items())]
    lines += ['  "how": [', *_items((*_HOW, *(_HOW_SEALED if protocol.seal else ()))), "  ],"]
    lines += _keys(protocol)
    lines += [f"  {json.dumps(key)}: {json.dumps(value)}," for key, value in answers.items()]
    lines += ['  "frames": {', *_frames(protocol), "  },"]
    lines += ['  "decode": [', *_items(map(_decode_data, made.decode)), "  ],"]
    lines += [
        '  "encode": [',
        *_items(_encode_data(vector) for vector in made.encode if _in_json(vector.values)),
        "  ]",
        "}",
        "",
    ]
    return "\n".join(lines)


def _items(things: Iterable[Any]) -> list[str]:
    lines = [f"    {json.dumps(thing)}," for thing in things]
    return [*lines[:-1], lines[-1].removesuffix(",")] if lines else []


def _keys(protocol: Protocol) -> list[str]:
    """The keys of the vectors, with the places where they are printed; nothing where no frame is sealed."""
    if protocol.seal is None:
        return []
    keys = [{"octets": octets.hex(), "from": where} for octets, where in PUBLISHED[protocol.seal.key_bits]]
    return [f'  "warning": {json.dumps(_WARNING)},', '  "keys": [', *_items(keys), "  ],"]


def _frames(protocol: Protocol) -> list[str]:
    """Each frame's lengths and its table, a row a line, as --verify compares it."""
    lines: list[str] = []
    for name, layout in protocol.frames.items():
        rows = [f"---- {name}", *slot_rows(protocol, layout)]
        table = [f"      {json.dumps(row)}," for row in rows]
        lines.append(f'    "{name}": {{ "least_octets": {layout.least_octets}, "octets": {layout.octets}, "table": [')
        lines += [*table[:-1], table[-1].removesuffix(","), "    ] },"]
    return [*lines[:-1], lines[-1].removesuffix(",")]


def _decode_data(vector: DecodeVector) -> dict[str, Any]:
    data: dict[str, Any] = {"name": vector.name, "octets": vector.octets.hex()}
    if vector.at is not None:
        data["at"] = vector.at
    data |= _key_data(vector.key)
    if vector.highest is not None:
        data["highest"] = vector.highest
    if vector.values is None:
        refused = {"refused": str(vector.status), "reason": int(vector.status), "field": vector.field}
        return {**data, **refused, **_wide(vector.highest)}
    data |= {"frame": vector.frame, "values": json_values(vector.values)}
    if vector.counter is not None:
        data["counter"] = vector.counter
    return {**data, **_wide((vector.values, vector.highest, vector.counter))}


def _key_data(key: Held | None) -> dict[str, Any]:
    return {} if key is None else {"key": {"station": key.station, "octets": key.octets.hex()}}


def _encode_data(vector: EncodeVector) -> dict[str, Any]:
    data: dict[str, Any] = {"name": vector.name, "frame": vector.frame, "values": json_values(vector.values)}
    data |= _key_data(vector.key)
    if vector.counter is not None:
        data["counter"] = vector.counter
    if vector.capacity is not None:
        data["capacity"] = vector.capacity
    if vector.octets is None:
        data |= {"refused": str(vector.status), "status": int(vector.status)}
    else:
        data["octets"] = vector.octets.hex()
    return {**data, **({"rounds": True} if vector.rounds else {}), **_wide((vector.values, vector.counter))}


def _in_json(value: Any) -> bool:
    """Whether JSON can carry it: it has no infinity and no NaN, which the C self-test asks all the same."""
    if isinstance(value, dict):
        return all(map(_in_json, value.values()))
    if isinstance(value, tuple):
        return all(map(_in_json, value))
    return not isinstance(value, float) or math.isfinite(value)


def _wide(values: Any) -> dict[str, bool]:
    return {"wide": True} if _has_wide(values) else {}


def _has_wide(value: Any) -> bool:
    if isinstance(value, dict):
        return any(map(_has_wide, value.values()))
    if isinstance(value, tuple):
        return any(map(_has_wide, value))
    return isinstance(value, int) and not -_EXACT <= value <= _EXACT
