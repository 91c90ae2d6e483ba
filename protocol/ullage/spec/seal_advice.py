"""What the author of a sealed protocol should still think about: short tags, shared keys, silences that are too long.

Each rule states its arithmetic; the numbers are those that a receiver really tries.
"""

import math
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from pydantic import TypeAdapter

from ..layout import Layout, Seal
from ..protocol import Protocol
from ..words.describe import air_time, radio, span
from ..words.seal_words import bridged_frames, chance, sealed_layouts, sequence_slot, tries
from .reading import Path
from .specfile import Duration

Found = tuple[str, Path, str, str | None]
"""Code, path, text, help."""

LONG_TAG = 8
"""Octets of a tag whose odds need no remark (NIST SP 800-38C, section 5.4: below 64 bits only after an analysis)."""
SILENCE_S = 7 * 86_400
"""A silence of this length should be bridged (our choice)."""

_AT: Path = ("seal",)


def seal_advice(protocol: Protocol, data: dict[str, Any]) -> Iterator[Found]:
    """All advice on the seal of a protocol. data: its spec as read."""
    seal = protocol.seal
    if seal is None:
        return
    yield from _short_tag(protocol, seal)
    yield from _everybody(protocol, seal)
    yield from _long_silence(protocol, seal, data)


def _short_tag(protocol: Protocol, seal: Seal) -> Iterator[Found]:
    """A tag that can be guessed: how often (NIST SP 800-38C, appendix B.2; each number tried is one more chance)."""
    if seal.tag_octets >= LONG_TAG:
        return
    passes = f"1 guess in {int(1 / chance(seal))} passes"
    if seal.resync:
        passes += f" (a receiver tries {tries(seal)} numbers)"
    more = LONG_TAG - seal.tag_octets
    cost = f"{more} octets more"
    settings = radio(protocol)
    if settings is None:
        often = f"of a million guesses {float(1_000_000 * chance(seal)):.2g} pass on average"
    else:
        shortest = min(layout.least_octets for layout in sealed_layouts(protocol))
        time = settings.time_on_air_us(shortest)
        once = span(_whole(time / chance(seal) / 1_000_000))
        often = f"sent back to back, one every {air_time(time)}, they pass once in {once}"
        longer = settings.time_on_air_us(shortest + more) - time
        cost += f", {air_time(longer)} on air" if longer else ", no time on air"
    text = f"a tag of {seal.tag_octets} octets: {passes}; {often}"
    yield "short_tag", (*_AT, "tag_octets"), text, f"tag_octets = {LONG_TAG} costs {cost}"


def _whole(seconds: Fraction) -> Fraction:
    """Seconds without what is left of the last one, where there is a whole one."""
    return Fraction(int(seconds)) if seconds >= 1 else seconds


def _everybody(protocol: Protocol, seal: Seal) -> Iterator[Found]:
    """Keys that more than two stations hold."""
    if protocol.destination_slot is None:
        text = "frames name no destination, so what the hub sends is sealed with a key that all who read it must hold"
        help_text = 'a field of kind "destination" in the header; without one let only stations send sealed frames'
        yield "shared_key", _AT, text, help_text
    elif seal.group_key:
        text = "all stations hold the group's key: each, and whoever opens one, can send to everybody as the hub"
        yield "shared_key", (*_AT, "group_key"), text, "leave it out and send each station a frame of its own"


def _long_silence(protocol: Protocol, seal: Seal, data: dict[str, Any]) -> Iterator[Found]:
    """So few bits on the air that a station is not found again after some days out of reach."""
    slot = sequence_slot(protocol)
    frames = bridged_frames(seal, slot.bits)
    if frames is None:
        return
    own = data["seal"].get("interval")
    other = TypeAdapter(Duration).validate_python(own) if own else None
    every = [_interval(layout, other) for layout in protocol.frames.values() if _counts(layout, slot.name)]
    rate = sum((1 / interval for interval in every if interval), Fraction(0))
    if not rate or frames / rate >= SILENCE_S:
        return
    needed = math.ceil(SILENCE_S * rate)
    bits = (math.ceil(Fraction(needed, tries(seal))) - 1).bit_length()
    silence = span(_whole(frames / rate))
    text = (
        f"a station that sends all of these frames is not found again after a silence of {silence}: "
        f"{slot.bits} bits of its counter travel, and {tries(seal)} high parts are tried"
    )
    cure = f"bits = {bits} in the field {slot.name} bridges a week"
    resync = math.ceil(Fraction(needed, 1 << slot.bits)) - 1
    if resync <= 0xFFFF:
        cure += f"; resync = {resync} does, too, and makes a guessed tag likelier"
    yield "long_silence", (*_AT, "resync") if "resync" in data["seal"] else _AT, text, cure


def _counts(layout: Layout, name: str) -> bool:
    """Whether a frame uses up a number of the counter."""
    return any(slot.name == name for slot in layout.slots)


def _interval(layout: Layout, other: Fraction | None) -> Fraction | None:
    return layout.interval_s or (other if layout.sealing else None)
