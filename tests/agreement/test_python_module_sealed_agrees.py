"""The emitted module's Receiver and Sender give what the toolkit's give: octets, values, numbers, reasons, windows."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import HealthCheck, Phase, given, settings

import ullage
from support.protocols import sealed_specs
from support.python_module_end import complaint, refusal
from support.sealed_module import (
    HUB,
    NODE,
    OTHER,
    Both,
    Given,
    octets_of_keys,
    one,
    ours,
    pair,
    sealed_frames,
    sent,
    values_for,
)
from support.sealed_specs import CRC, ORCHARD, SEALED, orchard
from support.tiny import generated
from ullage.layout import header_slot
from ullage.packing import Packer, boundary_codes, with_check, with_seal
from ullage.words.samples import sample
from ullage_codegen.vectors.document import vectors

EACH = pytest.mark.parametrize("name", SEALED)


def low_bits(protocol: ullage.Protocol) -> int:
    slot = header_slot(protocol.frames, "sequence")
    assert slot is not None
    return slot.bits


@EACH
def test_every_frame_travels_in_every_direction(name: str) -> None:
    text = SEALED[name]
    both = Both(text)
    for layout in both.protocol.frames.values():
        for source, to in ((NODE, HUB), (HUB, NODE), (OTHER, HUB), (NODE, OTHER), (HUB, HUB)):
            octets = one(text, layout.name, 5, source, to)
            both.decode(octets)
            assert both.decode(octets) == ("replay" if layout.sealing else "fine")
            assert both.decode(octets, at=to) == ("replay" if layout.sealing else "fine")
            assert both.decode(octets, at=77) == "not_addressed"


@EACH
def test_without_keys_sealed_frames_are_refused_alike(name: str) -> None:
    protocol, module = pair(SEALED[name])
    for layout in protocol.frames.values():
        octets = one(SEALED[name], layout.name, 5)
        if layout.sealing:
            with pytest.raises(ullage.Refused) as refused:
                protocol.decode(octets)
            with pytest.raises(module.Refused) as theirs:
                module.decode(octets)
            assert refusal(theirs.value) == refusal(refused.value)
            assert theirs.value.reason == "no_key"
        else:
            message = module.decode(octets)
            assert (message.counter, message.sealed) == (None, False)
            assert message.encode() == octets


@EACH
def test_every_bit_that_is_turned_over_is_refused_alike(name: str) -> None:
    text = SEALED[name]
    protocol, _ = pair(text)
    seen = set()
    for layout in sealed_frames(protocol):
        octets = one(text, layout.name, 3 + (1 << low_bits(protocol) - 1))
        body = octets[: len(octets) - protocol.check_octets]
        both = Both(text)
        for bit in range(8 * len(octets)):
            turned = (int.from_bytes(octets, "big") ^ 1 << bit).to_bytes(len(octets), "big")
            seen.add(both.decode(turned))
        for bit in range(8 * len(body)):
            turned = (int.from_bytes(body, "big") ^ 1 << bit).to_bytes(len(body), "big")
            seen.add(both.decode(with_check(protocol, turned)))
            assert both.decode(with_check(protocol, turned)) != "fine"
        for cut in range(len(body)):
            seen.add(both.decode(with_check(protocol, body[:cut])))
        assert both.ours.saved() == []
        assert both.decode(octets) == "fine"
    assert seen >= {"wrong_tag", "no_key", "wrong_length", *(["integrity"] if protocol.integrity else [])}


@EACH
def test_another_key_another_network_and_another_station_are_refused_alike(name: str) -> None:
    text = SEALED[name]
    protocol, _ = pair(text)
    keys = octets_of_keys(protocol)
    frame = sealed_frames(protocol)[0].name
    octets = one(text, frame, 9)
    assert Both(text, {**keys, NODE: keys[OTHER]}).decode(octets) == "wrong_tag"
    assert Both(text, {OTHER: keys[OTHER]}).decode(octets) == "no_key"
    assert Both(text, {}).decode(octets) == "no_key"
    network = next(line for line in text.splitlines() if line.startswith("network ="))
    assert Both(text.replace(network, "network = 5")).decode(octets) == "wrong_tag"


@EACH
def test_any_order_of_numbers_gives_the_same_answers_and_windows(name: str) -> None:
    text = SEALED[name]
    protocol, _ = pair(text)
    assert protocol.seal is not None
    rng = random.Random(11)
    circle, most = 1 << low_bits(protocol), (1 << protocol.seal.counter_bits) - 1
    steps = [0, 1, 2, 3, 62, 63, 64, 65, circle // 2, circle - 65, circle - 64, circle - 1, circle, 2 * circle]
    steps += [circle * protocol.seal.resync, circle * (protocol.seal.resync + 1), circle * (protocol.seal.resync + 2)]
    number, numbers = 100, [100, 100, 101, 100, 99, 99]
    for _ in range(120):
        number = min(max(0, number + rng.choice(steps) * rng.choice((1, 1, -1))), most)
        numbers.append(number)
    numbers += [most, most - 1, most - 63, most - 64, 0, most]
    frame = sealed_frames(protocol)[-1].name
    both, seen = Both(text), set()
    for octets in sent(text, frame, numbers):
        seen.add(both.decode(octets))
    for octets in sent(text, frame, numbers[:40], source=HUB, to=NODE):
        seen.add(both.decode(octets))
    assert {"fine", "replay"} <= seen


@EACH
@pytest.mark.parametrize("start", [0, 1, 70_000, 1 << 70])
def test_a_receiver_without_state_begins_alike_wherever_it_is_told(name: str, start: int) -> None:
    text = SEALED[name]
    protocol, _ = pair(text)
    assert protocol.seal is not None
    frame, most = sealed_frames(protocol)[0].name, (1 << protocol.seal.counter_bits) - 1
    for number in (0, 5, 65_535, 70_000, 70_001 + (1 << low_bits(protocol)), most):
        if number <= most:
            Both(text, from_counter=start).decode(one(text, frame, number))


@EACH
def test_frames_to_everybody_are_judged_alike(name: str) -> None:
    text = SEALED[name]
    protocol, module = pair(text)
    assert protocol.seal is not None
    everybody = 65535 if protocol.name == "terrace" else 255
    keys = octets_of_keys(protocol)
    frame = sealed_frames(protocol)[0].name
    values = values_for(protocol.frames[frame], everybody)
    if protocol.seal.group_key:
        octets = one(text, frame, 3, HUB, everybody)
        assert Both(text).decode(octets) == "fine"
        assert Both(text, {NODE: keys[NODE]}).decode(octets) == "no_key"
        del keys[None]
    with pytest.raises(ullage.EncodeError) as error:
        ullage.Sender(protocol, HUB, ours(keys), Given(1)).encode(frame, values)
    with pytest.raises(module.EncodeError) as theirs:
        module.Sender(HUB, keys, Given(1)).encode(frame, values)
    assert complaint(theirs.value) == complaint(error.value)
    # Everybody is also who the hub would seal for if it believed the destination in the clear.
    octets = one(text, frame, 3, HUB, NODE)[: -protocol.check_octets or None]
    slot = protocol.destination_slot
    assert slot is not None
    turned = (int.from_bytes(octets, "big") | everybody << 8 * len(octets) - slot.end).to_bytes(len(octets), "big")
    refused = "wrong_tag" if protocol.seal.group_key else "no_key"
    assert Both(text).decode(with_check(protocol, turned)) == refused


@EACH
def test_a_bad_field_under_a_good_tag_is_named_and_moves_both_windows(name: str) -> None:
    text = SEALED[name]
    protocol, _ = pair(text)
    keys, both, seen = ours(octets_of_keys(protocol)), Both(text), set()
    number = 0
    for layout in sealed_frames(protocol):
        packer = Packer(layout)
        row = packer.row(lambda entry, _: getattr(entry, "at_most", 1))
        places = {slot.name: slot for slot in layout.slots}
        for slot in row.slots():
            for code in boundary_codes(slot):
                number += 1
                low = number & (1 << places["sequence"].bits) - 1
                codes = {places["source"].offset: NODE, places["sequence"].offset: low}
                if slot.offset in codes:
                    continue
                body = packer.body(row, {**codes, slot.offset: code})
                said = both.decode(with_seal(protocol, layout, body, keys[NODE], number))
                if said in ("fine", "not_a_value", "spare_not_zero"):
                    assert both.ours.heard[protocol.name, NODE, NODE].window.top == number
                seen.add(said)
    assert {"fine", "not_a_value"} <= seen


@EACH
def test_windows_that_one_saved_go_on_in_the_other(name: str) -> None:
    text = SEALED[name]
    frame = sealed_frames(pair(text)[0])[0].name
    both = Both(text)
    for octets in sent(text, frame, [3, 9, 5]):
        both.decode(octets)
    saved = json.loads(json.dumps(both.theirs.saved()))
    again = Both(text)
    again.ours.restore(saved)
    again.theirs.restore(saved)
    assert again.theirs.saved() == again.ours.saved() == saved
    assert [again.decode(octets) for octets in sent(text, frame, [9, 5, 4, 10])] == ["replay", "replay", "fine", "fine"]


def test_a_spec_without_a_destination_seals_for_the_source() -> None:
    lines = [line for line in orchard().splitlines() if '"destination"' not in line]
    protocol, module = pair("\n".join(lines))
    values = {
        name: value for name, value in sample(protocol.frames["report"]).items() if name not in ("source", "sequence")
    }
    keys = octets_of_keys(protocol)
    octets = module.Sender(HUB, keys, Given(6)).encode("report", values)
    assert ullage.Sender(protocol, HUB, ours(keys), Given(6)).encode("report", values) == octets
    assert Both("\n".join(lines)).decode(octets) == "fine"
    with pytest.raises(ValueError, match="garden has no destination, so frames are for everybody"):
        module.Receiver(keys).decode(octets, 1)


def test_the_orchard_has_sealed_and_unsealed_frames() -> None:
    protocol = ullage.loads(ORCHARD.replace("SEQUENCE", "bits = 32").replace("FROM", "") + CRC)
    assert {bool(layout.sealing) for layout in protocol.frames.values()} == {True, False}


@settings(
    max_examples=6, deadline=None, derandomize=True, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)
@given(sealed_specs())
def test_the_ends_of_a_generated_sealed_spec_answer_alike_as_frames_come_one_after_another(text: str) -> None:
    protocol = generated(text)
    cases = [one for one in vectors(protocol).decode if one.key is not None]
    owners = list(dict.fromkeys(one.key.station for one in cases if one.key))[:8]
    both = Both(text, {owner: cases[0].key.octets for owner in owners if cases[0].key})
    seen = {both.decode(one.octets, one.at) for one in [*cases, *reversed(cases)]}
    assert {"fine", "replay", "wrong_tag"} <= seen
