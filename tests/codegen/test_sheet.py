"""What a sheet says, as HTML and as Markdown, for the shipped specs and for any other."""

import html.parser
import re
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings

import ullage
from support.protocols import specs
from support.tiny import generated, load, tiny
from ullage.codes import reasons
from ullage.spec.embedded import carried
from ullage_codegen.sheet.html import sheet_html
from ullage_codegen.sheet.markdown import sheet_markdown
from ullage_codegen.sheet.model import Sheet, model
from ullage_codegen.sheet.rulers import Block, Part, Strip

SPEC_FOLDER = Path(__file__).parents[2] / "spec"
SHIPPED = sorted(SPEC_FOLDER.rglob("*.toml"))
_VOID = {"meta", "br", "link"}
GROUPS = (
    'name = "count", kind = "count", range = [1, 6]',
    'name = "with_weather", kind = "flag"',
    'name = "readings", kind = "list", counted_by = "count", at_most = 6, field = ['
    ' { name = "distance", kind = "measure", unit = "mm", range = [250, 6000], step = 1 } ]',
    'name = "weather", kind = "group", when = "with_weather", field = [ { name = "rain", kind = "flag" } ]',
)


class Tags(html.parser.HTMLParser):
    """Sees that every element is closed by its own name, and collects ids and addresses."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.names: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.append(tag)
        found = dict(attrs)
        self.ids += [found["id"] or ""] if "id" in found else []
        self.addresses += [found[name] or "" for name in ("href", "src", "action") if name in found]
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag


def tags(text: str) -> Tags:
    found = Tags()
    found.feed(text)
    found.close()
    assert not found.open
    return found


def sheet_of(path: Path) -> Sheet:
    return model(ullage.load(path), path.name, path.read_bytes())


def strips(parts: tuple[Part, ...]) -> list[Strip]:
    return [one for part in parts for one in ([part] if isinstance(part, Strip) else strips(part.parts))]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_both_forms_are_whole_and_the_same_each_time(path: Path) -> None:
    page, text = sheet_html(sheet_of(path)), sheet_markdown(sheet_of(path))
    assert (page, text) == (sheet_html(sheet_of(path)), sheet_markdown(sheet_of(path)))
    found = tags(page)
    assert len(found.ids) == len(set(found.ids))
    assert all(address.startswith("#") and address[1:] in found.ids for address in found.addresses)
    assert not {"link", "img", "iframe", "base"} & set(found.names)
    spec = carried(page.encode())
    assert spec is not None
    assert spec.text == path.read_bytes()


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_both_forms_say_what_a_sheet_must_say(path: Path) -> None:
    protocol, sheet = ullage.load(path), sheet_of(path)
    for text in (sheet_html(sheet), sheet_markdown(sheet).replace("\\", "")):
        assert protocol.fingerprint in text
        assert f"ullage {ullage.__version__}" in text
        for reason in reasons(protocol):
            assert f"{reason}</code> {int(reason)}" in text or f"`{reason}` {int(reason)}." in text
        for frame in sheet.frames:
            assert frame.example.hex(" ") in text
            for slot in frame.layout.every_slot:
                assert (slot.name or "fill") in text
                for special in getattr(slot.transform, "specials", ()):
                    assert f"{special.code} {special.name}" in text
        assert "Local codes, the radio rules of the country and people licensed" in text
        if protocol.integrity:
            check = protocol.integrity.check
            assert f"{check.to_hex(check.compute(b'123456789'))} for the nine octets 123456789" in text


def test_the_check_value_is_the_published_one() -> None:
    """CRC-16/IBM-3740 gives 29b1 for 123456789 (catalogue of parametrised CRC algorithms, G. Cook)."""
    assert dict(sheet_of(SPEC_FOLDER / "orchard.toml").check)["check"].startswith("29b1 ")


@settings(
    max_examples=40, deadline=None, phases=(Phase.explicit, Phase.generate), suppress_health_check=list(HealthCheck)
)
@given(specs())
def test_any_legal_spec_has_a_sheet(text: str) -> None:
    """Every bit of a frame stands once on its rulers; the page is whole, and carries the spec."""
    protocol = generated(text)
    sheet = model(protocol, "wild.toml", text.encode())
    page = sheet_html(sheet)
    found = tags(page)
    assert len(found.ids) == len(set(found.ids))
    spec = carried(page.encode())
    assert spec is not None
    assert spec.text == text.encode()
    for frame in sheet.frames:
        for strip in strips(frame.parts):
            assert strip.cells[0].offset == 0
            assert all(one.end == other.offset for one, other in pairwise(strip.cells))
        cells = [cell for strip in strips(frame.parts) for cell in strip.cells]
        expected = [slot.bits for slot in frame.layout.every_slot]
        expected += [8 * frame.layout.check_octets] if frame.layout.check_octets else []
        assert [cell.bits for cell in cells] == expected
    assert sheet_markdown(sheet).count("```") % 2 == 0


def test_rulers_draw_every_bit_in_both_widths() -> None:
    page = sheet_html(sheet_of(SPEC_FOLDER / "orchard.toml"))
    for width in (32, 16):
        section = page.split('data-frame="level_report"')[1].split("</section>")[0]
        drawing = section.split(f'class="ruler bits{width}"')[1].split("</svg>")[0]
        assert drawing.count("·") == 80
        assert re.findall(r">octet (\d+)<", drawing) == [str(octet) for octet in range(10)]


def test_both_numberings_are_said() -> None:
    sheet = sheet_of(SPEC_FOLDER / "orchard.toml")
    for text in (sheet_html(sheet), sheet_markdown(sheet)):
        assert "bit 0 is the most significant" in text
        assert "registers count them" in text
    lines = sheet_markdown(sheet).splitlines()
    above = lines.index(" 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1")  # RFC 2360 section 3.1
    assert lines[above + 1] == " 7 6 5 4 3 2 1 0" * 4
    assert lines[above + 3].startswith("|  ... sequence |")


def test_places_stand_in_both_numberings() -> None:
    row = next(row for row in sheet_of(SPEC_FOLDER / "orchard.toml").frames[0].fields if row.name == "distance")
    assert (row.octets, row.bits, row.register, row.wide) == ("5..6", "43..55", "5:4..6:0", "13")
    assert (row.range, row.step, row.unit) == ("250..6000", "1", "mm")
    assert row.codes == ("code 0 is 250 mm", "8191 no_echo", "8190 too_close", "5751..8189 refused")


def test_lists_and_groups_say_when_they_are_there() -> None:
    protocol = load(*GROUPS)
    sheet = model(protocol, "tiny.toml", b"")
    blocks = [part for part in sheet.frames[0].parts if isinstance(part, Block)]
    assert [block.caption for block in blocks] == [
        "1..6 items, as many as count says; each:",
        "only when with_weather is set",
        "zero bits up to the next whole octet, where what stands before ends inside one",
    ]
    text = sheet_markdown(sheet)
    assert "readings: 1..6 items, as many as count says; each:\n  |" in text


def test_a_ruler_numbers_registers_only_where_octets_begin_with_it() -> None:
    """A list of 13-bit items begins anywhere in an octet, so register numbers would be wrong."""
    first, item, *_ = strips(model(load(*GROUPS), "tiny.toml", b"").frames[0].parts)
    assert first.whole
    assert not item.whole


def test_free_text_stays_text() -> None:
    """Nothing that a spec says can become an element, a mark or a formula of the page."""
    text = tiny('name = "a", kind = "flag", summary = "<script>alert(1)</script> | `x` </script><!--"')
    text = text.replace("[protocol]", '[protocol]\nsummary = "</title><img src=x onerror=alert(1)> | **b**"', 1)
    text += "# </script></pre><script>alert(1)</script> ``` \n"
    sheet = model(ullage.loads(text), "a.toml", text.encode())
    plain = tags(sheet_html(sheet_of(SPEC_FOLDER / "orchard.toml"))).names.count("script")
    found = tags(sheet_html(sheet)).names
    assert found.count("script") == plain
    assert "img" not in found
    written = sheet_markdown(sheet)
    rows = [line for line in written.splitlines() if line.startswith("| **a**")]
    assert re.sub(r"\\.", "", rows[0]).count("|") == 10
    assert "<script>" not in written.split("````toml")[0]
    assert written.endswith("\n````\n")


def test_orders_are_cautioned_about() -> None:
    orchard = sheet_of(SPEC_FOLDER / "orchard.toml").cautions
    assert any(line.startswith("valve_order: anyone with such a radio can send it") for line in orchard)
    assert not any("anyone with such a radio" in line for line in sheet_of(SPEC_FOLDER / "reference.toml").cautions)


def test_stations_are_told_by_the_spec() -> None:
    lines = sheet_of(SPEC_FOLDER / "orchard.toml").stations
    assert "destination is the number of the station that a frame is for, 0..254; 255 is for everybody" in lines[0]
    assert "begins again at 0 after 65535" in lines[3]
    assert model(load('name = "a", kind = "flag"'), "t", b"").stations[0].startswith("Frames carry no destination")


def _luminance(colour: str) -> float:
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_letters_stand_out_from_what_is_behind_them(scheme: str) -> None:
    """At least 4.5 to 1 (WCAG 2.1, success criterion 1.4.3, formula of its relative luminance)."""
    style = (Path(sheet_html.__code__.co_filename).parent / "templates" / "sheet.css").read_text()
    block = style.split(":root {")[1 if scheme == "light" else 2].split("}")[0]
    colours = {name: value.ljust(7, value[-1]) for name, value in re.findall(r"--(\w+): (#\w+)", block)}
    behind = {
        "ink": ("paper", "bar", "head", "tint"),
        "soft": ("paper", "head", "tint"),
        "accent": ("paper", "head", "tint"),
        "on": ("accent",),
    }
    for letters, papers in behind.items():
        for paper in papers:
            light, dark = sorted((_luminance(colours[letters]), _luminance(colours[paper])), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (letters, paper)
