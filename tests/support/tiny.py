"""Tiny specs as text: what a test is about, and nothing else."""

from __future__ import annotations

from hypothesis import reject

import ullage

_WIDE = {"too_wide", "too_few_bits", "codes_overlap", "too_long", "too_fine"}
"""Faults of generated specs that ask for more than a field or a frame holds."""


def tiny(*fields: str, header: str = "", protocol: str = "", frame: str = "", rest: str = "") -> str:
    """A spec with one frame "a". Fields and header are the insides of inline tables, the others whole lines."""
    own = ",\n".join(f"  {{ {field} }}" for field in fields)
    return (
        f'[protocol]\nname = "tiny"\n{protocol}\n[header]\nfield = [ {header} ]\n'
        f'[[frame]]\nname = "a"\n{frame}\nfield = [\n{own}\n]\n{rest}\n'
    )


def load(*fields: str, header: str = "", protocol: str = "", frame: str = "", rest: str = "") -> ullage.Protocol:
    """The protocol of `tiny`."""
    return ullage.loads(tiny(*fields, header=header, protocol=protocol, frame=frame, rest=rest))


def generated(text: str) -> ullage.Protocol:
    """The protocol of a generated spec; hypothesis tries another one where this one asks for too much room."""
    try:
        return ullage.loads(text)
    except ullage.SpecError as error:
        if not {fault.code for fault in error.faults} <= _WIDE:
            raise
        reject()
