"""spec/FORMAT.md tells the truth: each of its examples is run, and what it says of keys and answers is complete.

An example is a block of field entries or tables, then claims; the page's first section tells how they are written.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import ullage
from ullage import Protocol, SpecError, Special, Status, reference
from ullage.layout import Opaque, Text
from ullage.specfile import json_schema
from ullage_codegen.diagram import strip

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "spec" / "FORMAT.md").read_text(encoding="utf-8")
WRITTEN = re.sub(r"<!-- generated: .*?<!-- end -->", "", PAGE, flags=re.DOTALL)
"""The page without what is generated."""

LEAST_EXAMPLES, LEAST_CLAIMS = 40, 120
LATER = {
    *(Status.NO_KEY, Status.WRONG_TAG, Status.REPLAY, Status.WRONG_COUNT, Status.AMBIGUOUS),
    *(Status.TOO_MANY, Status.NO_ROOM, Status.COUNTER_SPENT),
}
"""Answers that no spec of today's language can give in Python."""

OCTETS = r"(?:[0-9a-f]{2}(?: [0-9a-f]{2})*|[0-9a-f]{2} \(\d+ times\))"
CLAIM = re.compile(
    rf"""(?P<octets>{OCTETS})(?:\ at\ (?P<at>\d+))?\ (?:reads\ (?P<reads>.+)|is\ refused:\ (?P<reason>[a-z_]+)(?:\ (?P<field>\w+))?)
       | (?P<values>.+?)\ (?:gives\ (?P<gives>{OCTETS})|is\ refused:\ (?P<status>[a-z_]+)|is\ an\ error:\ (?P<error>.+))
       | (?P<name>\w+)\ takes\ (?P<bits>\d+)\ bits?
       | is\ faulty:\ (?P<fault>.+)
       | help:\ (?P<help>.+)""",
    re.VERBOSE,
)
VALUE = re.compile(r'(\w+)=("[^"]*"|\S+)')


@dataclass(frozen=True)
class Example:
    """A block of the page: where it begins, the spec that it shows, and what it claims."""

    line: int
    spec: str
    claims: tuple[re.Match[str], ...]


def fenced(language: str) -> Iterator[tuple[int, str]]:
    """The fenced blocks of one language, each with the number of its first line."""
    for found in re.finditer(rf"^```{language}\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL):
        yield PAGE.count("\n", 0, found.start()) + 2, found[1]


def example(line: int, block: str) -> Example:
    """Split a block where its first claim stands; after it there are only claims."""
    lines = [text for text in block.splitlines() if text.strip()]
    first = next((place for place, text in enumerate(lines) if CLAIM.fullmatch(text)), len(lines))
    claims = [(text, CLAIM.fullmatch(text)) for text in lines[first:]]
    strange = [text for text, found in claims if not found]
    assert not strange, f"FORMAT.md, block of line {line}: no claim: {strange}"
    return Example(line, whole_spec(lines[:first]), tuple(found for _, found in claims if found))


def whole_spec(lines: list[str]) -> str:
    """A spec of field entries and tables, with what they leave out."""
    first_table = next((place for place, text in enumerate(lines) if not text.startswith("{")), len(lines))
    entries, tables = lines[:first_table], "\n".join(lines[first_table:]) + "\n"
    in_header = [
        kind for kind in ("revision", "message", "destination", "source") if f'kind = "{kind}"' in str(entries)
    ]
    last = max(
        (place + 1 for place, text in enumerate(entries) for kind in in_header if f'"{kind}"' in text), default=0
    )
    if "[protocol]" not in tables:
        tables += '[protocol]\nname = "example"\n' + ("revision = 1\n" if "revision" in in_header else "")
    if entries:
        tables += f'[header]\nfield = [\n{listed(entries[:last])}]\n[[frame]]\nname = "example"\n'
        tables += "message = 1\n" if "message" in in_header else ""
        tables += f"field = [\n{listed(entries[last:])}]\n"
    return tables


def listed(entries: list[str]) -> str:
    return "".join(f"{entry},\n" for entry in entries)


EXAMPLES = [example(*block) for block in fenced("example")]
CLAIMS = [
    pytest.param(example.spec, claim, id=f"line {example.line}, {claim[0][:40]}")
    for example in EXAMPLES
    for claim in example.claims
    if claim["help"] is None and claim["fault"] is None
]
FAULTY = [example for example in EXAMPLES if any(claim["fault"] for claim in example.claims)]


def frame_and_values(protocol: Protocol, text: str) -> tuple[str, dict[str, Any]]:
    """What a claim says is sent: the only frame unless one is named, numbers as exact text."""
    word = text.split(" ")[0]
    named = word in protocol.frames
    rest = text.removeprefix(word).strip() if named else text
    values = {name: value.strip('"') if value.startswith('"') else value for name, value in VALUE.findall(rest)}
    assert VALUE.sub("", rest).strip() == "", f"these are no values: {rest}"
    layout = protocol.frames[word] if named else next(iter(protocol.frames.values()))
    for slot in layout.values:
        if slot.name in values and isinstance(slot.transform, Opaque):
            values[slot.name] = bytes.fromhex(values[slot.name])
        elif slot.kind == "flag" and values.get(slot.name) in ("true", "false"):
            values[slot.name] = values[slot.name] == "true"
    return layout.name, values


def shown(protocol: Protocol, octets: bytes, at: int | None) -> str:
    """A decoded message as the page writes it: the frame where there are several, numbers as Python prints them."""
    message = protocol.decode(octets, at)
    words = [message.frame] if len(protocol.frames) > 1 or not message.values else []
    for slot in protocol.frames[message.frame].values:
        value = message[slot.name]
        if isinstance(value, bytes):
            text = f'"{value.hex()}"'
        elif isinstance(value, bool):
            text = str(value).lower()
        else:
            text = f'"{value}"' if isinstance(slot.transform, Text) else str(value)
        words.append(f"{slot.name}={text}")
    return " ".join(words)


def octets_of(text: str) -> bytes:
    repeated = re.fullmatch(r"(..) \((\d+) times\)", text)
    return bytes.fromhex(repeated[1]) * int(repeated[2]) if repeated else bytes.fromhex(text)


@pytest.mark.parametrize(("spec", "claim"), CLAIMS)
def test_a_claim_of_the_page_holds(spec: str, claim: re.Match[str]) -> None:
    protocol = ullage.loads(spec)
    if claim["bits"]:
        assert {layout.slot(claim["name"]).bits for layout in protocol.frames.values()} == {int(claim["bits"])}
    elif claim["octets"]:
        at = int(claim["at"]) if claim["at"] else None
        octets = octets_of(claim["octets"])
        if claim["reads"]:
            assert shown(protocol, octets, at) == claim["reads"]
            message = protocol.decode(octets)
            assert protocol.encode(message.frame, message.values) == octets
            return
        with pytest.raises(ullage.Refused) as refused:
            protocol.decode(octets, at)
        assert (str(refused.value.reason), refused.value.field) == (claim["reason"], claim["field"])
    else:
        frame, values = frame_and_values(protocol, claim["values"])
        if claim["gives"]:
            octets = protocol.encode(frame, values)
            assert octets.hex(" ") == claim["gives"]
            assert protocol.encode(frame, protocol.decode(octets).values) == octets
            return
        with pytest.raises(ullage.EncodeError) as error:
            protocol.encode(frame, values)
        if claim["status"]:
            assert str(error.value.status) == claim["status"]
        else:
            assert (error.value.status, str(error.value)) == (None, claim["error"])


@pytest.mark.parametrize("faulty", FAULTY, ids=lambda example: f"line {example.line}")
def test_a_fault_of_the_page_is_found(faulty: Example) -> None:
    """All faults of the example, in order; a text that ends in … may go on; help where the page shows it."""
    with pytest.raises(SpecError) as error:
        ullage.loads(faulty.spec)
    told = [claim for claim in faulty.claims if claim["fault"]]
    assert len(error.value.faults) == len(told)
    place = -1
    for claim in faulty.claims:
        place += claim["fault"] is not None
        fault = error.value.faults[place]
        text, found = (claim["fault"], fault.text) if claim["fault"] else (claim["help"], fault.help)
        assert found is not None
        assert found.startswith(text[:-1]) if text.endswith("…") else found == text


def test_no_example_is_passed_over() -> None:
    assert len(EXAMPLES) >= LEAST_EXAMPLES
    assert sum(len(example.claims) for example in EXAMPLES) >= LEAST_CLAIMS
    assert all(example.claims for example in EXAMPLES)
    assert PAGE.count("```example") == len(EXAMPLES)
    assert {language for language in re.findall(r"^```(\w+)$", PAGE, re.MULTILINE)} <= {
        *("example", "toml", "text", "json", "console"),
    }


def test_the_generated_parts_are_as_the_code_makes_them() -> None:
    """`make reference` renews them; every part stands on the page, once."""
    assert reference.rewritten(PAGE) == PAGE
    assert sorted(re.findall(r"^<!-- generated: (.*) -->$", PAGE, re.MULTILINE)) == sorted(reference.parts())


def test_marks_without_counterpart_and_unknown_parts_are_refused() -> None:
    for text in ("<!-- generated: spec -->\n", "<!-- end -->", "<!-- generated: nothing -->\n<!-- end -->"):
        with pytest.raises(ValueError, match="mark|no generated part"):
            reference.rewritten(text)
    assert reference.rewritten("a\n<!-- generated: kind flag -->\nold\n<!-- end -->\nb\n").splitlines()[2] != "old"


def models() -> dict[str, dict[str, Any]]:
    schema = json_schema()
    return {"SpecFile": schema, **schema["$defs"]}


def test_every_key_is_explained_beyond_its_row_in_a_table() -> None:
    keys = {key for model in models().values() for key in model["properties"]}
    assert not {key for key in keys if f"`{key}`" not in WRITTEN and not re.search(rf"\b{key}\s*= ", WRITTEN)}


def test_every_key_has_a_description() -> None:
    for name, model in models().items():
        lacking = [key for key, value in model["properties"].items() if not value.get("description")]
        assert not [key for key in lacking if key != "kind"], name


def test_every_kind_has_a_section_and_an_example() -> None:
    kinds = {name for names in reference.parts() if names.startswith("kind ") for name in names[5:].split(", ")}
    assert len(kinds) >= 15
    headings = " ".join(re.findall(r"^### (.*)$", WRITTEN, re.MULTILINE))
    for kind in kinds:
        assert f"`{kind}`" in headings, kind
        assert any(f'kind = "{kind}"' in example.spec for example in EXAMPLES), kind


def test_every_answer_is_shown_by_an_example_or_kept_for_later() -> None:
    claimed = {claim[key] for example in EXAMPLES for claim in example.claims for key in ("reason", "status")}
    assert {str(status) for status in Status} - claimed == {str(status) for status in {*LATER, Status.FINE}}


@pytest.mark.parametrize("block", [pytest.param(block, id=f"line {line}") for line, block in fenced("toml")])
def test_every_toml_block_is_a_spec(block: str) -> None:
    assert ullage.loads(block).frames


def test_the_picture_of_a_frame_is_the_one_in_the_c_header() -> None:
    picture = "\n".join(strip(ullage.load(ROOT / "spec" / "orchard.toml").frames["level_report"]))
    assert picture in PAGE


def test_the_json_of_the_fingerprint_is_what_it_is_taken_over() -> None:
    """The page shows the canonical JSON of its own example on several lines."""
    ((_, block),) = fenced("json")
    spec = whole_spec(
        ['{ name = "level", kind = "measure", unit = "mm", range = [0, 100], step = 1, special = ["cut"] }']
    )
    assert json.loads(block) == json.loads(ullage.loads(spec).fingerprint_input)


def test_specials_read_as_plain_words() -> None:
    """The notation writes special codes without quotes, as `Special` prints."""
    assert str(Special("no_echo")) == "no_echo"
