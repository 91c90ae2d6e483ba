"""The sheet's sentences on sealing: what an implementer of the other end has to do, and what a user has to mind."""

from collections.abc import Iterator

from ullage import Protocol
from ullage.layout import Layout, Slot, header_slot
from ullage.words.seal_words import broadcast_of, sealed_layouts, sequence_slot

_NONCE_OCTETS = 13
_WINDOW = 64


def sealing(protocol: Protocol) -> tuple[str, ...]:
    """How frames are sealed and opened, a sentence or two each; () where none is."""
    seal = protocol.seal
    if seal is None:
        return ()
    layouts = sealed_layouts(protocol)
    names = ", ".join(layout.name for layout in layouts)
    return (
        f"Sealed: {names}, with AES-{seal.key_bits} in CCM (RFC 3610, NIST SP 800-38C), L = 2, tags of "
        f"{seal.tag_octets} octets.",
        _nonce(protocol),
        *_encrypted(layouts),
        "The tag stands behind that"
        + (f", and the {protocol.integrity.noun} behind the tag." if protocol.integrity else "."),
        _keys(protocol),
        _counter(protocol),
    )


def _nonce(protocol: Protocol) -> str:
    seal = protocol.seal
    assert seal is not None
    layout = sealed_layouts(protocol)[0]
    parts = [(f"0x{seal.network:0{2 * seal.network_octets}x}, never sent", seal.network_octets)]
    parts += [(name, _octets_of(layout.slot(name))) for name in seal.nonce[:-1]]
    parts.append(("the whole counter", -(-seal.counter_bits // 8)))
    zeros = _NONCE_OCTETS - sum(count for _, count in parts)
    listed = "; ".join(f"{what} ({_octets(count)})" for what, count in parts)
    rest = f"; {'a zero octet' if zeros == 1 else f'{zeros} zero octets'}" if zeros else ""
    return f"The nonce has {_NONCE_OCTETS} octets, high octet first in each part: {listed}{rest}."


def _octets_of(slot: Slot) -> int:
    return -(-slot.bits // 8)


def _octets(count: int) -> str:
    return f"{count} octet" if count == 1 else f"{count} octets"


def _encrypted(layouts: tuple[Layout, ...]) -> Iterator[str]:
    """From which octet on frames are encrypted."""
    by_first: dict[int | None, list[str]] = {}
    for layout in layouts:
        first = layout.sealing.first_octet if layout.sealing else None
        by_first.setdefault(first, []).append(layout.name)
    for first, names in by_first.items():
        whose = f" of {', '.join(names)}" if len(by_first) > 1 else ""
        if first is None:
            yield f"No octet{whose} is encrypted: all before the tag are associated data."
        else:
            yield (
                f"Octets 0..{first - 1}{whose} are associated data; those from octet {first} up to the tag, fill "
                "bits too, are encrypted."
            )


def _keys(protocol: Protocol) -> str:
    seal = protocol.seal
    assert seal is not None
    source, to = header_slot(protocol.frames, "source"), protocol.destination_slot
    name = source.name if source else "source"
    if to is None:
        return f"Each station has a key. A frame is sealed with that of its {name}."
    text = (
        f"Each station has a key, which the hub, station {seal.hub}, holds as well. A frame is sealed with the key of "
        f"its {name}; one that the hub sends, with that of its {to.name}."
    )
    everybody = broadcast_of(to)
    if everybody is None:
        return text
    if seal.group_key:
        return f"{text} What the hub sends to everybody ({everybody}) is sealed with a key that all stations hold."
    return f"{text} The hub sends no sealed frame to everybody ({everybody})."


def _counter(protocol: Protocol) -> str:
    seal, slot = protocol.seal, sequence_slot(protocol)
    assert seal is not None
    text = (
        "A sender never seals twice with one number, in all the life of a key. A receiver refuses a number that it has "
        f"accepted before, or that is more than {_WINDOW - 1} below the highest"
    )
    if slot.bits >= seal.counter_bits:
        return f"{text}."
    further = f", then, where the tag does not fit, at most the next {seal.resync}" if seal.resync else ""
    return (
        f"{text}. {slot.name} has the low {slot.bits} of the counter's {seal.counter_bits} bits: a receiver takes the "
        f"smallest number with these bits that is not below those {_WINDOW}{further}."
    )


def cautions(protocol: Protocol) -> Iterator[str]:
    """What a user of sealed frames must be warned of."""
    seal = protocol.seal
    if seal is None:
        return
    names = [layout.name for layout in sealed_layouts(protocol)]
    yield (
        f"{', '.join(names)}: sealed, which is as good as the keys. Who takes a node away has its key. Who sends, how "
        "often and how much stays visible, and any radio can be jammed: what an order moves has to stay safe all the "
        "same."
    )
    if seal.group_key:
        yield "All stations hold the group's key: each, and whoever opens one, can send to everybody as the hub."
    yield (
        "A node whose counter was lost, copied or set back must not send again under its key: give it a fresh one, "
        "or a number past all that it has used."
    )
    if any(layout.sealing and layout.sealing.first_octet is not None for layout in protocol.frames.values()):
        yield (
            "Some bands and national rules forbid encryption, those of radio amateurs for one: there encrypt = "
            '"nothing" in the spec leaves every octet readable and keeps the tag.'
        )
