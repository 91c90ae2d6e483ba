"""spec/FORMAT.md tells the truth: each of its examples is run, and what it says of keys and answers is complete.

An example is some field entries or tables, then claims, as the page's first section tells; blank lines part examples,
and dots part the claims of a line.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import ullage
from ullage import Protocol, SpecError, Status
from ullage.layout import Entry, Gate, Opaque, Repeat, Slot, Text
from ullage.spec import reference
from ullage.spec.specfile import json_schema
from ullage_codegen.c.diagram import strip

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "spec" / "FORMAT.md").read_text(encoding="utf-8")
WRITTEN = re.sub(r"<!-- generated: .*?<!-- end -->", "", PAGE, flags=re.DOTALL)
"""The page without what is generated."""

LEAST_EXAMPLES, LEAST_CLAIMS = 65, 150
LATER = {
    *(Status.WRONG_TAG, Status.REPLAY, Status.AMBIGUOUS),
    *(Status.NO_ROOM, Status.COUNTER_SPENT, Status.COUNTER_LOST),
}
"""Answers that no spec of today's language can give in Python."""

OCTETS = r"(?:[0-9a-f]{2}(?:[ ][0-9a-f]{2})*|[0-9a-f]{2}[ ]\(\d+[ ]times\))"
CLAIM = re.compile(
    rf"""(?P<octets>{OCTETS})(?:\ at\ (?P<at>\d+))?\ reads\ (?P<reads>.+)
       | (?P<bad>{OCTETS})(?:\ at\ (?P<bad_at>\d+))?\ is\ refused:\ (?P<reason>[a-z_]+)(?:\ (?P<field>\w+))?
       | (?P<values>.+?)\ gives\ (?P<gives>{OCTETS})
       | (?P<misfit>.+?)\ is\ (?:refused:\ (?P<status>[a-z_]+)|an\ error:\ (?P<error>.+))
       | (?P<name>\w+)\ takes\ (?P<bits>\d+)\ bits?
       | is\ faulty:\ (?P<fault>.+)
       | help:\ (?P<help>.+)""",
    re.VERBOSE,
)
BETWEEN = " · "
HEADER_ONLY = ("revision", "message", "destination", "source")
TOKEN = re.compile(r'\s*(\w+=|[\[\]{},]|"[^"]*"|[^\s,\[\]{}=]+)')
"""What the values of a claim are made of: a name, a mark, a text, a number or word."""


@dataclass(frozen=True)
class Example:
    """Where an example begins on the page, the spec that it shows, and what it claims."""

    line: int
    spec: str
    claims: tuple[re.Match[str], ...]


def fenced(language: str) -> Iterator[tuple[int, str]]:
    """The fenced blocks of one language, each with the number of its first line."""
    for found in re.finditer(rf"^```{language}\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL):
        yield PAGE.count("\n", 0, found.start()) + 2, found[1]


def examples() -> Iterator[Example]:
    for line, block in fenced("example"):
        for found in re.finditer(r"(?:.+\n)+", block):
            yield example(line + block.count("\n", 0, found.start()), found[0].splitlines())


def example(line: int, lines: list[str]) -> Example:
    """Split an example where its first claim stands; after it there are only claims."""
    first = next((place for place, text in enumerate(lines) if CLAIM.fullmatch(text.split(BETWEEN)[0])), len(lines))
    claims = []
    for text in BETWEEN.join(lines[first:]).split(BETWEEN):
        found = CLAIM.fullmatch(text)
        assert found, f"FORMAT.md, example of line {line}: this is no claim: {text}"
        claims.append(found)
    return Example(line, whole_spec(lines[:first]), tuple(claims))


def whole_spec(lines: list[str]) -> str:
    """A spec of field entries and tables, with what they leave out."""
    first_table = next((place for place, text in enumerate(lines) if not text.startswith("{")), len(lines))
    entries, tables = lines[:first_table], "\n".join(lines[first_table:]) + "\n"
    kinds = [found[1] for found in map(re.compile(r'kind = "(\w+)"').search, entries) if found]
    header = max((place + 1 for place, kind in enumerate(kinds) if kind in HEADER_ONLY), default=0)
    if "[protocol]" not in tables:
        tables += '[protocol]\nname = "example"\n' + ("revision = 1\n" if "revision" in kinds else "")
    if entries:
        tables += f"[header]\nfield = [\n{listed(entries[:header])}]\n"
        tables += '[[frame]]\nname = "example"\n' + ("message = 1\n" if "message" in kinds else "")
        tables += f"field = [\n{listed(entries[header:])}]\n"
    return tables


def listed(entries: list[str]) -> str:
    return "".join(f"{entry},\n" for entry in entries)


EXAMPLES = list(examples())
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
    layout = protocol.frames[word] if named else next(iter(protocol.frames.values()))
    tokens = TOKEN.findall(text.removeprefix(word) if named else text)
    assert TOKEN.sub("", text).strip() == "", f"these are no values: {text}"
    values = named_values(tokens)
    assert not tokens, f"too much: {tokens}"
    return layout.name, meant(layout.entries, values)


def named_values(tokens: list[str]) -> dict[str, Any]:
    """Values with their names, as far as there are some; commas between them may stand or not."""
    values = {}
    while tokens and tokens[0].endswith("="):
        name = tokens.pop(0)[:-1]
        values[name] = one_value(tokens)
        if tokens and tokens[0] == ",":
            tokens.pop(0)
    return values


def one_value(tokens: list[str]) -> Any:
    token = tokens.pop(0)
    if token == "{":
        values = named_values(tokens)
        assert tokens.pop(0) == "}"
        return values
    if token != "[":
        return token.strip('"') if token.startswith('"') else token
    items = []
    while tokens[0] != "]":
        items.append(one_value(tokens))
        if tokens[0] == ",":
            tokens.pop(0)
    tokens.pop(0)
    return items


def meant(entries: tuple[Entry, ...], values: dict[str, Any]) -> dict[str, Any]:
    """The values for the encoder: octets, truth values and absent groups are not written as they are given."""
    found = dict(values)
    for entry in entries:
        value = values.get(entry.name)
        if isinstance(entry, Repeat) and isinstance(value, list):
            found[entry.name] = [meant(entry.entries, item) for item in value]
        elif isinstance(entry, Gate) and value is not None:
            found[entry.name] = None if value == "none" else meant(entry.entries, value)
        elif isinstance(entry, Slot) and isinstance(entry.transform, Opaque) and value is not None:
            found[entry.name] = bytes.fromhex(value)
        elif isinstance(entry, Slot) and entry.kind == "flag" and value in ("true", "false"):
            found[entry.name] = value == "true"
        elif isinstance(entry, Slot) and entry.kind == "count" and value is not None and value.isdigit():
            found[entry.name] = int(value)
    return found


def shown(protocol: Protocol, octets: bytes, at: int | None) -> str:
    """A decoded message as the page writes it: the frame where there are several, numbers as Python prints them."""
    message = protocol.decode(octets, at)
    words = [message.frame] if len(protocol.frames) > 1 or not message.values else []
    return " ".join([*words, *values_shown(protocol.frames[message.frame].entries, message.values)])


def values_shown(entries: tuple[Entry, ...], values: dict[str, Any]) -> Iterator[str]:
    for entry in entries:
        if entry.name not in values:
            continue
        value = values[entry.name]
        if isinstance(entry, Repeat):
            items = ("{" + ", ".join(values_shown(entry.entries, item)) + "}" for item in value)
            text = f"[{', '.join(items)}]"
        elif isinstance(entry, Gate):
            text = "none" if value is None else "{" + ", ".join(values_shown(entry.entries, value)) + "}"
        elif isinstance(value, bytes):
            text = f'"{value.hex()}"'
        elif isinstance(value, bool):
            text = str(value).lower()
        else:
            text = f'"{value}"' if isinstance(entry.transform, Text) else str(value)
        yield f"{entry.name}={text}"


def octets_of(text: str) -> bytes:
    repeated = re.fullmatch(r"(..) \((\d+) times\)", text)
    return bytes.fromhex(repeated[1]) * int(repeated[2]) if repeated else bytes.fromhex(text)


def station(text: str | None) -> int | None:
    return None if text is None else int(text)


@pytest.mark.parametrize(("spec", "claim"), CLAIMS)
def test_a_claim_of_the_page_holds(spec: str, claim: re.Match[str]) -> None:
    """What is read or written goes the other way, too."""
    protocol = ullage.loads(spec)
    if claim["bits"]:
        assert {layout.slot(claim["name"]).bits for layout in protocol.frames.values()} == {int(claim["bits"])}
    elif claim["reads"]:
        octets = octets_of(claim["octets"])
        assert shown(protocol, octets, station(claim["at"])) == claim["reads"]
        message = protocol.decode(octets)
        assert protocol.encode(message.frame, message.values) == octets
    elif claim["reason"]:
        with pytest.raises(ullage.Refused) as refused:
            protocol.decode(octets_of(claim["bad"]), station(claim["bad_at"]))
        assert (str(refused.value.reason), refused.value.field) == (claim["reason"], claim["field"])
    elif claim["gives"]:
        frame, values = frame_and_values(protocol, claim["values"])
        octets = protocol.encode(frame, values)
        assert octets.hex(" ") == claim["gives"]
        assert protocol.encode(frame, protocol.decode(octets).values) == octets
    else:
        frame, values = frame_and_values(protocol, claim["misfit"])
        with pytest.raises(ullage.EncodeError) as error:
            protocol.encode(frame, values)
        told = error.value.status and str(error.value.status), None if error.value.status else str(error.value)
        assert told == (claim["status"], claim["error"])


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
    assert {*re.findall(r"^```(\w+)$", PAGE, re.MULTILINE)} == {"example", "toml", "text", "json", "console"}
    assert len(re.findall("```", PAGE)) == 2 * sum(1 for _ in fenced(r"\w+"))


def test_the_generated_parts_are_as_the_code_makes_them() -> None:
    """`make reference` renews them; every part stands on the page, once."""
    assert reference.rewritten(PAGE) == PAGE
    assert sorted(re.findall(r"^<!-- generated: (.*) -->$", PAGE, re.MULTILINE)) == sorted(reference.parts())


def test_marks_without_counterpart_and_unknown_parts_are_refused() -> None:
    for text in ("<!-- generated: kinds -->\n", "<!-- end -->", "<!-- generated: nothing -->\n<!-- end -->"):
        with pytest.raises(ValueError, match=r"mark of a generated part|no generated part"):
            reference.rewritten(text)


def test_only_what_stands_between_marks_is_renewed() -> None:
    old = "before\n<!-- generated: answers -->\nold\n<!-- end -->\nbehind\n"
    assert reference.rewritten(old) == old.replace("old\n", reference.parts()["answers"])


def test_the_parts_are_printed_and_written_into_a_named_document(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    reference.main([])
    printed = capsys.readouterr().out
    assert reference.rewritten(printed) == printed
    document = tmp_path / "page.md"
    document.write_text("<!-- generated: kinds -->\n<!-- end -->\n", encoding="utf-8")
    reference.main([str(document)])
    assert document.read_text(encoding="utf-8") in printed


def test_every_key_is_explained_beyond_its_row_in_a_table() -> None:
    """But for the radio's, which have no rules."""
    schema = json_schema()
    models = [schema, *(model for name, model in schema["$defs"].items() if name not in ("LoraTable", "FskTable"))]
    keys = {key for model in models for key in model["properties"]}
    assert keys >= {"protocol", "frame", "special", "covers_from", "xorout"}
    assert not {key for key in keys if not re.search(rf"`{key}`|\b{key}\s*= |\[{key}\]", WRITTEN)}


def test_every_kind_has_a_section_and_an_example() -> None:
    kinds = reference.kinds()
    assert {"measure", "source", "sensor", "spare"} <= set(kinds)
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
