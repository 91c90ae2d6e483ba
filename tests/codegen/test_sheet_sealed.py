"""Sheets of sealed protocols: nothing needs a key, what is encrypted is to be seen, and the cautions are true."""

from __future__ import annotations

import re

import pytest
from hypothesis import HealthCheck, given, settings

import ullage
from support.protocols import sealed_specs
from support.sealed_frames import sealed_frame
from support.sealed_specs import SEALED, orchard
from support.tiny import generated
from ullage.codes import reasons
from ullage.spec.embedded import carried
from ullage_codegen.sheet.html import sheet_html
from ullage_codegen.sheet.markdown import sheet_markdown
from ullage_codegen.sheet.model import Sheet, SheetFrame, model
from ullage_codegen.sheet.rulers import Cell, Part, Strip


def sheet(text: str) -> Sheet:
    return model(ullage.loads(text), "test.toml", text.encode())


def cells(parts: tuple[Part, ...]) -> list[Cell]:
    found: list[Cell] = []
    for part in parts:
        found += part.cells if isinstance(part, Strip) else cells(part.parts)
    return found


def frame(text: str, name: str) -> SheetFrame:
    return next(frame for frame in sheet(text).frames if frame.name == name)


@pytest.mark.parametrize("name", SEALED)
def test_a_sheet_is_made_of_every_sealed_protocol_and_carries_it(name: str) -> None:
    made = sheet(SEALED[name])
    page, text = sheet_html(made), sheet_markdown(made)
    assert carried(page.encode()) is not None
    assert page == sheet_html(sheet(SEALED[name]))
    protocol = ullage.loads(SEALED[name])
    for one in made.frames:
        assert one.sealed == (protocol.frames[one.name].sealing is not None)
        assert one.example.hex(" ") in page
        assert one.example.hex(" ") in text
    for reason in reasons(protocol):
        assert f"`{reason}` {int(reason)}." in text
    assert "`counter_spent` 35." in text


@settings(derandomize=True, deadline=None, max_examples=20, suppress_health_check=list(HealthCheck))
@given(sealed_specs())
def test_a_sheet_can_be_made_of_any_sealed_protocol(text: str) -> None:
    made = model(generated(text), "test.toml", text.encode())
    for one in made.frames:
        if one.layout.fixed:
            assert [cell.offset for cell in cells(one.parts)][1:] == [cell.end for cell in cells(one.parts)][:-1]
            assert cells(one.parts)[-1].end == 8 * one.layout.octets
    assert sheet_html(made)
    assert sheet_markdown(made)


def test_rulers_show_the_encrypted_fields_the_tag_and_the_check_in_their_places() -> None:
    shown = {cell.name: cell for cell in cells(frame(orchard(), "report").parts)}
    assert [name for name, cell in shown.items() if cell.hidden] == ["sensor", "distance", "battery"]
    assert (shown["tag"].offset, shown["tag"].bits) == (64, 64)
    assert (shown["CRC"].offset, shown["CRC"].bits) == (128, 16)
    assert not any(cell.hidden for cell in cells(frame(orchard(), "lid").parts))


def test_inside_lists_and_groups_all_is_encrypted() -> None:
    shown = {cell.name: cell.hidden for cell in cells(frame(SEALED["lists"], "history").parts)}
    assert shown["level"]
    assert shown["t"]
    assert not shown["sequence"]
    assert not shown["tag"]


def test_encryption_is_to_be_seen_without_colours() -> None:
    """Hatching on the page, colons in the text, also in a cell with no room for a whole name, and words beside both."""
    page, text = sheet_html(sheet(orchard())), sheet_markdown(sheet(orchard()))
    hidden = re.findall(r'<g class="cell hidden".*?</g>', page, re.DOTALL)
    assert hidden
    assert all('class="hatch"' in cell and ", encrypted</title>" in cell for cell in hidden)
    assert page.count('class="hatch"') == len(hidden)
    assert "sensor: bits 40 to 42, encrypted" in page
    assert "Hatched: encrypted." in page
    assert "|:sens|" in text
    assert ":distance:" in text
    assert "Filled with colons: encrypted." in text
    assert "**battery** measure, encrypted" in text
    nothing = sheet(SEALED["nothing encrypted"])
    assert "hatch" not in sheet_html(nothing).split("</style>")[1].lower().replace("hatch {", "")
    assert "colons" not in sheet_markdown(nothing)


def test_the_example_of_a_sealed_frame_is_its_body_before_it_is_sealed() -> None:
    shown = frame(orchard(), "report")
    protocol = ullage.loads(orchard())
    whole = sealed_frame(protocol, protocol.frames["report"])
    assert len(shown.example) == len(whole) - 10
    assert shown.example[:5] == whole[:5]
    assert shown.example[5:] != whole[5:8]
    assert [row.name for row in shown.rows][-3:] == ["sensor", "distance", "battery"]
    assert "Worked example, before it is sealed" in sheet_markdown(sheet(orchard()))


def test_fields_say_where_tag_and_check_stand_and_what_they_go_over() -> None:
    rows = {row.name: row for row in frame(orchard(), "report").fields}
    assert (rows["tag"].octets, rows["tag"].bits, rows["tag"].wide) == ("8..15", "64..127", "64")
    assert rows["tag"].codes == ("over octets 0..7", "opens with the key of the station")
    assert (rows["CRC"].octets, rows["CRC"].codes[0]) == ("16..17", "over octets 0..15")
    assert "low 16 of the 32 bits of the sender's counter" in rows["sequence"].codes


def test_the_nonce_is_told_octet_for_octet() -> None:
    assert (
        "The nonce has 13 octets, high octet first in each part: 0x4f52, never sent (2 octets); source (1 octet); "
        "the whole counter (4 octets); 6 zero octets."
    ) in sheet(orchard()).sealing
    assert (
        "The nonce has 13 octets, high octet first in each part: 0x09, never sent (1 octet); destination (2 octets); "
        "source (2 octets); the whole counter (5 octets); 3 zero octets."
    ) in sheet(SEALED["lists"]).sealing


def test_the_cautions_of_a_sealed_protocol_differ_from_those_of_an_open_one() -> None:
    sealed = " ".join(sheet(orchard()).cautions)
    assert "Nothing here is secret or proven" not in sealed
    assert "report, order: sealed, which is as good as the keys." in sealed
    assert "lid: not sealed, so neither secret nor proven." in sealed
    assert "forbid encryption" in sealed
    assert "forbid encryption" not in " ".join(sheet(SEALED["nothing encrypted"]).cautions)
    assert "group's key" in " ".join(sheet(SEALED["a group's key"]).cautions)
    plain = orchard().split("[seal]")[0].replace(", counter_bits = 32", "")
    assert "Nothing here is secret or proven" in " ".join(sheet(plain).cautions)
    assert sheet(plain).sealing == ()


def test_a_sheet_says_that_it_opens_no_sealed_frames_only_where_there_are_some() -> None:
    assert "opens no sealed frames" in sheet_html(sheet(orchard()))
    plain = orchard().split("[seal]")[0].replace(", counter_bits = 32", "")
    assert "opens no sealed frames" not in sheet_html(sheet(plain))
