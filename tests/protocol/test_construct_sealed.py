"""construct reads a sealed frame as far as anybody can: the clear part, encrypted octets, tag and check."""

from __future__ import annotations

import construct
import pytest

import ullage
from support.sealed_frames import sealed_frame, sealed_layouts
from support.sealed_specs import SEALED
from ullage.words.extent import code_of


@pytest.mark.parametrize("name", SEALED)
def test_a_sealed_frame_is_read_and_built_again(name: str) -> None:
    protocol = ullage.loads(SEALED[name])
    for layout in sealed_layouts(protocol):
        whole = sealed_frame(protocol, layout)
        parsed = protocol.as_construct().parse(whole)
        assert parsed.frame == layout.name
        end = len(whole) - protocol.check_octets
        assert parsed.tag == whole[end - layout.tag_octets : end]
        sealing = layout.sealing
        assert sealing is not None
        first = sealing.first_octet
        if first is not None:
            assert parsed.body.data == whole[:first]
            assert parsed.encrypted == whole[first : end - layout.tag_octets]
        else:
            assert parsed.body.data == whole[: end - layout.tag_octets]
            assert "encrypted" not in parsed
        for slot in layout.slots:
            if slot.name and (first is None or slot.offset < 8 * first):
                assert parsed.body.value[slot.name] == code_of(whole, slot)
        if layout.fixed:
            assert protocol.as_construct(layout.name).build(parsed) == whole


@pytest.mark.parametrize("name", ["orchard", "lists", "nothing encrypted"])
def test_construct_sees_a_check_that_does_not_go_over_the_tag(name: str) -> None:
    protocol = ullage.loads(SEALED[name])
    layout = sealed_layouts(protocol)[0]
    whole = bytearray(sealed_frame(protocol, layout))
    whole[len(whole) - protocol.check_octets - 1] ^= 1
    with pytest.raises(construct.ChecksumError):
        protocol.as_construct(layout.name).parse(bytes(whole))
