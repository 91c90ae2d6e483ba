"""The sheet's sentences: what to do about each answer, how stations are addressed, the check's numbers, cautions.

Cautions name the documents and never replace them: local codes and people licensed for the work decide.
"""

from dataclasses import dataclass

from ullage import Protocol, Status
from ullage.checksum import Sum
from ullage.codes import reasons
from ullage.crc import CHECK_OCTETS
from ullage.layout import Integrity, Layout, Scaled, Slot

from ..c.header import encoder_answers
from .seal import cautions as seal_cautions

_WHAT_TO_DO: tuple[tuple[str, tuple[Status, ...]], ...] = (
    ("Do nothing: all is well.", (Status.NOT_ADDRESSED,)),
    (
        "Look at the receiver and at the air between.",
        (Status.TOO_SHORT, Status.TOO_LONG, Status.INTEGRITY),
    ),
    (
        "Compare the fingerprints of both ends: they were built from different specs.",
        (
            Status.OTHER_REVISION,
            Status.UNKNOWN_MESSAGE,
            Status.WRONG_LENGTH,
            Status.WRONG_COUNT,
            Status.WRONG_CONSTANT,
            Status.SPARE_NOT_ZERO,
            Status.NOT_A_VALUE,
        ),
    ),
    (
        "Look after the keys and the counters of both ends.",
        (Status.NO_KEY, Status.WRONG_TAG, Status.REPLAY, Status.COUNTER_SPENT, Status.COUNTER_LOST),
    ),
    ("Change what you send: the encoder wrote nothing.", (Status.OUT_OF_RANGE, Status.TOO_MANY, Status.NO_ROOM)),
)


@dataclass(frozen=True)
class Reason:
    """One answer: its name and number, what happened, and what helps."""

    name: str
    number: int
    meaning: str
    advice: str


@dataclass(frozen=True)
class Advice:
    """What to do, and the answers that call for it."""

    todo: str
    reasons: tuple[Reason, ...]


def advice(protocol: Protocol) -> tuple[Advice, ...]:
    """The answers that this protocol's ends can give, by what the reader can do about them."""
    possible = {*reasons(protocol), *encoder_answers(protocol)}
    possible |= {Status.COUNTER_SPENT, Status.COUNTER_LOST} if protocol.seal else set()
    noun = protocol.integrity.noun if protocol.integrity else "check"
    found = []
    for todo, statuses in _WHAT_TO_DO:
        told = tuple(_reason(one, noun) for one in statuses if one in possible)
        if told:
            found.append(Advice(todo, told))
    return tuple(found)


def _reason(status: Status, noun: str) -> Reason:
    meaning = status.meaning.removeprefix("encode: ").replace("CRC", noun)
    advised = status.advice.replace("CRC", noun)
    if status is Status.NO_KEY:
        advised += " A sheet holds no keys and opens no sealed frame; ullage decode and ullage explain do, with --keys."
    return Reason(str(status), int(status), _sentence(meaning), advised)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def stations(protocol: Protocol) -> tuple[str, ...]:
    """How stations are addressed and frames counted, a sentence each."""
    layout = next(iter(protocol.frames.values()))
    header = {slot.kind: slot for slot in layout.slots[: layout.header_slots]}
    every = {slot.kind: slot for one in protocol.frames.values() for slot in one.every_slot}
    found = [_destination(header.get("destination"))]
    if "source" in header:
        found.append(f"{header['source'].name} is the number of the station that sent it, {_span(header['source'])}.")
    else:
        found.append("A frame does not say which station sent it.")
    if "sensor" in every:
        names = [slot.name for slot in (header.get("source"), every["sensor"]) if slot]
        pair = f"{' and '.join(names)} {'together name' if len(names) > 1 else 'names'} a series of readings."
        found.append(f"A station may have several sensors, {_span(every['sensor'])}; {pair}")
    if "sequence" in every:
        slot = every["sequence"]
        last = (1 << slot.bits) - 1
        restart = "0 out of turn is a restart" if protocol.seal is None else "a long gap may be a restart"
        found.append(
            f"{slot.name} grows by one with each new frame of a station and begins again at 0 after {last} "
            "(serial number arithmetic, RFC 1982). A repeat carries the same number, a gap is a lost frame, and "
            f"{restart}."
        )
    return tuple(found)


def _destination(slot: Slot | None) -> str:
    if slot is None:
        return "Frames carry no destination: every receiver that hears one takes it."
    text = f"{slot.name} is the number of the station that a frame is for, {_span(slot)}"
    scaled = slot.transform
    if isinstance(scaled, Scaled) and scaled.broadcast is not None:
        text += f"; {scaled.broadcast} is for everybody"
    return f"{text}. A receiver that is told its own number refuses frames for others (not_addressed)."


def _span(slot: Slot) -> str:
    scaled = slot.transform
    if not isinstance(scaled, Scaled):
        return ""
    low, high = scaled.lowest, scaled.highest
    if scaled.broadcast is not None and low < high:
        low, high = (low + 1, high) if scaled.broadcast == low else (low, high - 1)
    return f"{low}..{high}"


def check_numbers(integrity: Integrity) -> tuple[tuple[str, str], ...]:
    """The parameters of the CRC or sum, with its check value: name and value."""
    check = integrity.check
    order = (
        (("octets", "1"),)
        if check.octets == 1
        else (("octets", f"{check.octets}, {'high' if integrity.high_first else 'low'} octet first"),)
    )
    covers = ("covers", f"from octet {integrity.first_octet} up to itself")
    value = ("check", f"{check.to_hex(check.compute(CHECK_OCTETS))} for the nine octets 123456789")
    if isinstance(check, Sum):
        numbers = (("bits", str(check.bits)), ("start", f"0x{check.start:x}"), ("invert", _truth(check.invert)))
        return (*numbers, value, *order, covers)
    digits = (check.width + 3) // 4
    return (
        ("width", str(check.width)),
        *((name, f"0x{getattr(check, name):0{digits}x}") for name in ("poly", "init")),
        ("refin", _truth(check.refin)),
        ("refout", _truth(check.refout)),
        ("xorout", f"0x{check.xorout:0{digits}x}"),
        value,
        *order,
        covers,
    )


def _truth(value: bool) -> str:
    return "true" if value else "false"


NUMBERINGS = (
    "Upper numbers: bit 0 is the most significant and goes first (RFC 791, appendix B).",
    "Lower numbers: the same bits as registers count them, 7 to 0.",
)
HATCHED = ("Hatched: encrypted.", "Filled with colons: encrypted.")
"""What says that a field is encrypted: on a drawn ruler, and on one of letters."""
PLACES = (
    "Octet 0 goes first. The column bits counts from the first bit of the frame, bit 0 being the most significant; "
    "beside it stands octet:bit as registers count, bit 7 being the most significant, so that 5:4 is the bit with the "
    "weight 16 in octet 5. The column wide has the number of bits. A quantity is that of code 0 plus code times step. "
    "A list or group moves what follows it: there a dash stands for the place."
)
REFUSALS = (
    "Every decoder of this protocol asks the same questions in the same order and gives the first that fails, with the "
    "same name and number. What is refused reaches nobody in part."
)
DEFER = (
    "These lines name documents and replace none of them. Local codes, the radio rules of the country and people "
    "licensed for the work decide."
)


def cautions(protocol: Protocol) -> tuple[str, ...]:
    """What a sheet must warn of, a caution each."""
    open_frames = {name: layout for name, layout in protocol.frames.items() if layout.sealing is None}
    orders = [name for name, layout in open_frames.items() if _orders(layout)]
    found = [] if protocol.seal is None else list(seal_cautions(protocol))
    if protocol.seal is None:
        found.append(
            "Nothing here is secret or proven: frames are neither encrypted nor authenticated, and a check finds "
            "accidents, not intent."
        )
    elif open_frames:
        found.append(
            f"{' and '.join(open_frames)}: not sealed, so neither secret nor proven. Anyone with such a radio can send "
            f"{'it' if len(open_frames) == 1 else 'them'}: let nothing that matters hang on that."
        )
    if orders:
        found.append(
            f"{' and '.join(orders)}: anyone with such a radio can send {'it' if len(orders) == 1 else 'them'}. What "
            "an order moves has to stay safe whoever sends it. Orders say a state and expire (off, valid for 60 s); "
            "they never toggle, and sending one twice changes nothing."
        )
    return (*found, *_CAUTIONS)


def _orders(layout: Layout) -> bool:
    return any(slot.role == "order" for slot in layout.every_slot)


_CAUTIONS = (
    "A level display informs, it does not protect: overfilling and dry running need independent devices of their own "
    "(the principle of NFPA 30 and of API 2350; the latter is for petroleum only).",
    "A station that was not heard for several intervals is stale. Show it as stale, and start nothing on its last "
    "value.",
    "The mains side is for a licensed electrician (IEC 60364, NFPA 70).",
    "Lithium cells are charged at 0..45 °C only, protected and fused (IEC 62133-2).",
    "Tanks are confined spaces (OSHA 29 CFR 1910.146, which excludes agriculture; NIOSH 86-110: most of the dead are "
    "would-be rescuers). Nobody goes in for a sensor.",
    "What touches drinking water is approved for it (NSF/ANSI/CAN 61, AS/NZS 4020, BS 6920). Enclosures: IEC 60529.",
    "Radio: keeping to band, power and duty cycle is the operator's duty, and the national tables win.",
)
