"""The HTML sheet in a real browser: what is pasted is decoded as Python decodes it, in the ruler and in the table."""

from __future__ import annotations

import importlib.util
import os
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import ullage
from support.cases import received
from support.decoder_answers import differs
from support.ends import need
from support.sealed_frames import sealed_frame, sealed_layouts
from support.sealed_specs import SEALED, orchard
from support.tiny import tiny
from ullage.layout import Fixed, Length
from ullage.words.samples import sample
from ullage.words.wording import reading
from ullage_codegen.javascript.tables import slot_ids
from ullage_codegen.sheet.html import sheet_html
from ullage_codegen.sheet.model import model

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

ROOT = Path(__file__).parents[2]
SOUND = "21 01 11 00 09 03 d8 79 33 d7"
NO_VALUE = "21 01 11 00 09 1f fc 79 cf f7"  # distance 8188, between the range and the special codes
DAMAGED = "21 01 11 00 09 01 d8 79 33 d7"
ARGUMENTS = (
    *("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)
GROUPS = tiny(
    'name = "count", kind = "count", range = [1, 6]',
    'name = "with_weather", kind = "flag"',
    'name = "readings", kind = "list", counted_by = "count", at_most = 6, field = ['
    ' { name = "distance", kind = "measure", unit = "mm", range = [250, 6000], step = 1, special = ["no_echo"] },'
    ' { name = "marks", kind = "group", when = "with_marks", field = ['
    ' { name = "mark", kind = "octets", octets = 9 } ] } ]',
    'name = "weather", kind = "group", when = "with_weather", field = ['
    ' { name = "rain", kind = "binary32", unit = "mm" } ]',
    'name = "stamp", kind = "time", bits = 32, step = 0.5, epoch = "unix"',
    rest="[integrity]\ncrc = { width = 12, poly = 0x80F, init = 0, refin = false, refout = true, xorout = 0 }",
).replace('field = [ { name = "distance"', 'field = [ { name = "with_marks", kind = "flag" }, { name = "distance"')

_READ_ALL = """(hexes) => {
  const box = document.getElementById("hex");
  let answer = null;
  box.addEventListener("ullage:read", (event) => { answer = event.detail; });
  return hexes.map((hex) => {
    answer = null;
    box.value = hex;
    box.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter" }));
    const section = document.querySelector("section.read");
    const said = document.getElementById("answer").textContent;
    if (section === null) {
      return { answer, said, frame: null, bad: [] };
    }
    const values = {};
    for (const row of section.querySelectorAll("tr[data-slot]")) {
      const lines = Array.from(row.querySelectorAll("td.value > span"), (line) => line.firstChild.textContent);
      values[row.dataset.slot] = lines;
    }
    const digits = Array.from(section.querySelectorAll(".bits32 .digits"), (text) => text.textContent).join("");
    const bad = Array.from(section.querySelectorAll("tr.bad"), (row) => row.dataset.slot);
    return { answer, frame: section.dataset.frame, values, digits, bad, said };
  });
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, or a skip (in CI: a failure) where it or Playwright is missing."""
    need("chromium")
    if importlib.util.find_spec("playwright") is None:
        if os.environ.get("CI"):
            pytest.fail("playwright is not installed, and CI needs every tool")
        pytest.skip("playwright is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        found = play.chromium.launch(executable_path="/usr/bin/chromium", args=list(ARGUMENTS))
        yield found
        found.close()


Opener = Callable[..., Any]


@pytest.fixture
def opened(browser: Browser, tmp_path: Path) -> Opener:
    """Opens the sheet of a spec; at the end nothing was fetched and nothing complained."""

    @contextmanager
    def open_sheet(text: str, **settings: Any) -> Iterator[Page]:
        path = tmp_path / "sheet.html"
        path.write_text(sheet_html(model(ullage.loads(text), "test.toml", text.encode())), encoding="utf-8")
        context = browser.new_context(**{"reduced_motion": "reduce", **settings})
        page = context.new_page()
        asked: list[str] = []
        complaints: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(path.as_uri())
        yield page
        context.close()
        assert asked == [path.as_uri()]
        assert not complaints

    return open_sheet


def spec(name: str) -> str:
    return next((ROOT / "spec").rglob(f"{name}.toml")).read_text(encoding="utf-8")


def bits(octets: bytes) -> str:
    return "".join(f"{octet:08b}" for octet in octets)


def shown_values(protocol: ullage.Protocol, message: ullage.Message, octets: bytes) -> dict[str, list[str]]:
    """What the table must show for an accepted frame: slot id -> readings, but for what never changes."""
    number = list(protocol.frames).index(message.frame)
    layout = protocol.frames[message.frame]
    names = slot_ids(number, layout)
    found: dict[str, list[str]] = {}

    def scope(entries: Any, values: dict[str, Any]) -> None:
        for entry in entries:
            inside = values.get(entry.name)
            if not hasattr(entry, "entries"):
                if not isinstance(entry.transform, Fixed | Length):
                    found.setdefault(names[id(entry)], []).append(reading(entry, inside))
            elif inside is not None:
                for one in inside if isinstance(inside, tuple) else (inside,):
                    scope(entry.entries, one)

    scope(layout.entries, message.values)
    if protocol.check_octets:
        found[f"f{number}check"] = [octets[-protocol.check_octets :].hex(" ")]
    return found


@pytest.mark.parametrize(
    ("name", "most"), [("orchard", 120), ("groups", 80), ("ultrasonic_head", 50), ("modbus_read_registers", 20)]
)
def test_frames_of_every_sort_are_shown_as_python_decodes_them(name: str, most: int, opened: Opener) -> None:
    """Answer, values in the table, digits on the ruler, and the row that is marked: each as Python has it."""
    text = GROUPS if name == "groups" else spec(name)
    protocol = ullage.loads(text)
    rng = random.Random(7)
    cases = [octets for octets in dict.fromkeys(received(protocol, rng)) if octets]
    cases = rng.sample(cases, min(len(cases), most))
    with opened(text) as page:
        results = page.evaluate(_READ_ALL, [octets.hex() for octets in cases])
    accepted = 0
    for octets, result in zip(cases, results, strict=True):
        answer = result["answer"]
        assert not differs(protocol, octets, None, answer), octets.hex(" ")
        if answer["status"]:
            assert f"refused: {answer['reason']} ({answer['status']}). " in result["said"]
            assert answer["slot"] is None or result["bad"] == [answer["slot"]]
            continue
        assert result["bad"] == []
        accepted += 1
        message = protocol.decode(octets)
        wanted = shown_values(protocol, message, octets)
        assert result["frame"] == message.frame
        assert {slot: lines for slot, lines in result["values"].items() if slot in wanted} == wanted
        if protocol.frames[message.frame].fixed:
            assert result["digits"] == bits(octets)
        else:
            assert set(result["digits"]) <= set("01·")
    assert accepted >= 5


def test_typed_and_pasted_hex_lights_the_ruler_up(opened: Opener) -> None:
    with opened(spec("orchard")) as page:
        box = page.get_by_label("Read a frame")
        box.focus()
        page.keyboard.insert_text(SOUND)
        page.wait_for_selector("#frame-level_report.lit.read")
        assert page.inner_text("#answer").startswith("fine: level_report, 10 octets. destination 1 · source 17")
        row = page.locator("#frame-level_report tr", has=page.locator("th .name", has_text="distance"))
        assert row.locator("td.value").inner_text().replace("\n", " ") == "1234 mm code 984"
        assert page.inner_text("#frame-level_report .whose") == "received"
        assert page.inner_text("#frame-status_report .whose") == "example"
        page.keyboard.press("Control+A")
        page.keyboard.press("Delete")
        page.wait_for_selector("#frame-level_report.example")
        assert page.inner_text("#answer") == ""


@pytest.mark.parametrize(
    ("octets", "said", "slot"),
    [
        (
            NO_VALUE,
            "refused: not_a_value (13). distance: code 8188 stands for nothing; 250..6000 mm by 1 mm",
            "distance",
        ),
        (
            DAMAGED,
            "refused: integrity (3). The CRC is 33d7, these 8 octets give 5db7. Bits 64..79, octets 8..9.",
            "CRC",
        ),
    ],
)
def test_a_refusal_names_reason_number_and_place(octets: str, said: str, slot: str, opened: Opener) -> None:
    with opened(spec("orchard")) as page:
        page.fill("#hex", octets)
        page.wait_for_selector("tr.bad")
        assert page.inner_text("#answer").startswith(said)
        assert page.inner_text("tr.bad th .name") == slot
        assert "refused:" in page.inner_text("tr.bad td.value")
        assert page.locator("g.bad").count() >= 1
        assert page.locator("#frame-level_report td.value > span").count() == 1  # nothing else of it is believed


def test_what_is_no_hex_is_said_with_the_word(opened: Opener) -> None:
    with opened(spec("orchard")) as page:
        page.fill("#hex", "21 zz")
        page.locator("#answer", has_text="no hex").wait_for()
        assert page.inner_text("#answer") == "not read: 'zz' is no hex."


def test_every_item_of_a_list_has_its_ruler(opened: Opener) -> None:
    protocol = ullage.loads(GROUPS)
    items = [
        {"with_marks": False, "distance": 300, "marks": None},
        {"with_marks": True, "distance": "no_echo", "marks": {"mark": bytes(9)}},
    ]
    octets = protocol.encode("a", {"readings": items, "weather": None, "stamp": 0})
    with opened(GROUPS) as page:
        page.fill("#hex", octets.hex())
        page.wait_for_selector(".lit.read")
        captions = page.locator("[data-list=readings] .made").all_inner_texts()
        assert captions == ["item 0, from bit 4", "item 1, from bit 18"]
        assert page.locator("[data-group=weather].absent").count() == 1
        digits = page.locator("[data-list=readings] > .inside > .strip .bits32 .digits").all_text_contents()
        assert "".join(digits) == bits(octets)[4:18] + bits(octets)[18:32]


@pytest.mark.parametrize("width", [320, 390, 768, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_wider_than_the_screen(width: int, scheme: str, opened: Opener) -> None:
    with opened(spec("orchard"), viewport={"width": width, "height": 844}, color_scheme=scheme) as page:
        page.fill("#hex", SOUND)
        page.wait_for_selector(".lit.read")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        rulers = page.locator("svg.ruler:visible")
        assert rulers.count() == 4
        assert all((box["width"] if box else 0) <= width for box in (rulers.nth(n).bounding_box() for n in range(4)))


def test_the_ruler_that_answers_comes_into_sight(opened: Opener) -> None:
    protocol = ullage.loads(spec("orchard"))
    octets = protocol.encode("acknowledgement", sample(protocol.frames["acknowledgement"]))
    with opened(spec("orchard"), viewport={"width": 390, "height": 844}) as page:
        page.fill("#hex", octets.hex())
        page.wait_for_selector("#frame-acknowledgement.read")
        title = page.locator("#title-acknowledgement").bounding_box()
        form = page.locator("#reader").bounding_box()
        assert title
        assert form
        assert form["y"] + form["height"] <= title["y"] <= 400


def test_keyboard_and_screen_reader_find_their_way(opened: Opener) -> None:
    with opened(spec("orchard")) as page:
        assert page.get_by_role("status").get_attribute("aria-live") == "polite"
        assert page.get_by_role("textbox", name="Read a frame").count() == 1
        for name in ("level_report", "Cautions", "Stations"):
            assert page.get_by_role("heading", name=name, exact=True).count() == 1
            assert page.get_by_role("link", name=name, exact=True).count() >= 1
        table = page.get_by_role("table", name="Fields of level_report")
        assert table.get_by_role("rowheader").count() == 9
        assert table.get_by_role("columnheader").count() == 9
        assert page.get_by_role("img", name="revision: bits 0 to 2; message: bits 3 to 7").count() == 4
        reached = set()
        for _ in range(20):
            page.keyboard.press("Tab")
            reached.add(page.evaluate("document.activeElement.id || document.activeElement.className"))
            width = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
            assert width == "3px"
        assert {"hex", "try"} <= reached


def test_the_example_button_reads_the_example(opened: Opener) -> None:
    with opened(spec("orchard")) as page:
        page.locator("#frame-valve_order .try").click()
        page.wait_for_selector("#frame-valve_order.read")
        assert page.inner_text("#answer").startswith("fine: valve_order")


def test_on_paper_there_is_no_box_and_the_wide_ruler(opened: Opener) -> None:
    with opened(spec("orchard"), viewport={"width": 718, "height": 1000}) as page:
        page.emulate_media(media="print")
        assert not page.is_visible("#reader")
        assert page.locator("svg.bits32:visible").count() == 4
        assert page.locator("svg.bits16:visible").count() == 0
        assert page.evaluate("document.documentElement.scrollWidth") <= 718


def test_without_a_program_the_page_still_says_it_all(opened: Opener) -> None:
    with opened(spec("orchard"), java_script_enabled=False) as page:
        assert not page.is_visible("#reader")
        assert page.is_visible("#frame-level_report svg.bits32")
        assert "3125 mm" in page.inner_text("#frame-level_report .fields")


# ---- sealed frames -----------------------------------------------------------------------------------------------


def pasted(page: Page, octets: bytes) -> str:
    page.fill("#hex", octets.hex(" "))
    page.keyboard.press("Enter")
    return str(page.text_content("#answer"))


@pytest.mark.parametrize("name", ["orchard", "lists", "nothing encrypted", "no check"])
def test_examples_before_sealing_fill_rulers_and_tables(opened: Opener, name: str) -> None:
    protocol = ullage.loads(SEALED[name])
    with opened(SEALED[name]) as page:
        for layout in sealed_layouts(protocol):
            section = page.locator(f"#frame-{layout.name}")
            assert "before it is sealed" in (section.locator(".shown").text_content() or "")
            if layout.fixed:
                body = protocol.codec.body(layout.name, sample(layout))
                digits = "".join(section.locator(".bits32 .digits").all_text_contents())
                dots = "·" * (8 * layout.end_octets)
                assert digits == "".join(f"{octet:08b}" for octet in body) + dots
            assert section.locator("tr[data-slot] td.value").first.text_content()


def test_a_sealed_frame_is_refused_and_its_octets_are_shown(opened: Opener) -> None:
    protocol = ullage.loads(orchard())
    octets = sealed_frame(protocol, protocol.frames["report"])
    with opened(orchard()) as page:
        said = pasted(page, octets)
        assert said.startswith("refused: no_key (8). report is sealed, and no key is given.")
        assert "A sheet holds no keys and opens no sealed frame" in said
        section = page.locator("#frame-report")
        digits = "".join(section.locator(".bits32 .digits").all_text_contents())
        assert digits == "".join(f"{octet:08b}" for octet in octets)
        assert section.locator("td.value span").count() == 0


def test_a_frame_that_is_not_sealed_is_read_as_ever(opened: Opener) -> None:
    protocol = ullage.loads(orchard())
    with opened(orchard()) as page:
        assert pasted(page, protocol.encode("lid", sample(protocol.frames["lid"]))).startswith("fine: lid")
        assert page.locator("#frame-report .try").count() == 0
        assert page.locator("#frame-lid .try").count() == 1
