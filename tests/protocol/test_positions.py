"""Places: from a path to the user's own letters, however a table is written; whatever the text, no error."""

import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ullage
from ullage.spec.positions import Places, Span

ROOT = Path(__file__).parents[2]
SPECS = sorted((ROOT / "spec").rglob("*.toml"))

ONE = """\
title.text = "a"  # dotted
[protocol]
name = "one"
"quoted key" . x = [ 1, [ 2, 33 ] ]
[[frame]]
name = "first"
field = [
  { name = "lid", kind = "flag", codes = { shut = 0, 'wide open' = 11 } },
  { kind = "spare" }, {}
]
[[frame]]
[[frame.field]]
kind = "flag"
[[frame.field]]
  name = "wet"
  summary = '''two
lines'''
[frame.deep.down]
x = 1
[empty]
"""


def pointed(text: str, path: tuple[str | int, ...], at_key: bool = False) -> str:
    """The letters that a path points at."""
    line, column, length = Places(text).span(path, at_key)
    return text.removeprefix("\ufeff").split("\n")[line - 1][column - 1 :][:length]


@pytest.mark.parametrize(
    ("path", "letters"),
    [
        (("title", "text"), '"a"'),
        (("protocol", "name"), '"one"'),
        (("protocol", "quoted key", "x"), "[ 1, [ 2, 33 ] ]"),
        (("protocol", "quoted key", "x", 1, 1), "33"),
        (("frame", 0, "name"), '"first"'),
        (("frame", 0, "field", 0, "kind"), '"flag"'),
        (("frame", 0, "field", 0, "codes"), "{ shut = 0, 'wide open' = 11 }"),
        (("frame", 0, "field", 0, "codes", "wide open"), "11"),
        (("frame", 1, "field", 1, "name"), '"wet"'),
        (("frame", 1, "deep", "down", "x"), "1"),
    ],
)
def test_a_value_is_pointed_at_wherever_it_is_written(path: tuple[str | int, ...], letters: str) -> None:
    assert pointed(ONE, path) == letters


@pytest.mark.parametrize(
    ("path", "letters"),
    [
        (("title", "text"), "text"),
        (("protocol", "quoted key"), '"quoted key"'),
        (("frame", 0, "field", 0, "codes", "wide open"), "'wide open'"),
        (("frame", 1, "deep", "down"), "down"),
        (("protocol",), "protocol"),
    ],
)
def test_a_key_is_pointed_at_when_it_is_meant(path: tuple[str | int, ...], letters: str) -> None:
    assert pointed(ONE, path, at_key=True) == letters


@pytest.mark.parametrize(
    ("path", "letters"),
    [
        (("protocol", "revision"), "[protocol]"),
        (("empty", "name"), "[empty]"),
        (("frame", 0), 'name = "first"'),
        (("frame", 0, "message"), 'name = "first"'),
        (("frame", 0, "field", 0, "bits"), 'name = "lid"'),
        (("frame", 0, "field", 1, "bits"), 'kind = "spare"'),
        (("frame", 0, "field", 2, "kind"), "{"),
        (("frame", 1), "[[frame]]"),
        (("frame", 1, "field", 0, "name"), 'kind = "flag"'),
        (("frame", 1, "field", 1), 'name = "wet"'),
        (("frame", 0, "field"), "field"),  # a value of several lines: its key
        (("frame", 1, "field", 1, "summary"), "summary"),
    ],
)
def test_what_lacks_something_shows_its_name_its_kind_or_its_opening(path: tuple[str | int, ...], letters: str) -> None:
    assert pointed(ONE, path) == letters


@pytest.mark.parametrize("text", ["", "\n\n", "# nothing", "[a]\nb = 1"])
def test_what_is_nowhere_gives_the_beginning_and_points_at_nothing(text: str) -> None:
    assert Places(text).span(("protocol", "name")) == Span(1, 1, 0)
    assert Places(text).span(()) == Span(1, 1, 0)


def test_columns_count_characters_and_not_octets() -> None:
    text = 's = "é水😂" # \r\nx = { "é" = "ü", y = 5 }\r\n'
    assert Places(text).span(("x", "y")) == Span(2, 22, 1)
    assert Places(text).span(("s",)) == Span(1, 5, 5)
    assert pointed(text, ("x", "é")) == '"ü"'
    assert Places("\ufeffa = 1").span(("a",)) == Span(1, 5, 1)


def leaves(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[tuple[str | int, ...], Any]]:
    """All values of a document that are no tables or lists, with their paths."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = [leaf for key, item in pairs for leaf in leaves(item, (*path, key))]
    return found or ([] if isinstance(value, dict | list) else [(path, value)])


@pytest.mark.parametrize("path", SPECS, ids=lambda path: path.stem)
def test_in_every_shipped_spec_each_value_is_found_where_it_stands(path: Path) -> None:
    """What the span cuts out of the text, read as TOML, is the value."""
    text = path.read_text(encoding="utf-8")
    found = leaves(tomllib.loads(text))
    assert len(found) > 10
    for place, value in found:
        assert tomllib.loads(f"x = {pointed(text, place)}")["x"] == value


KEYS = st.sampled_from(["a", "b", '"q r"', "'s'"])
LEAVES = st.sampled_from(["1", "-2.5", '"t"', "'u'", "true", "[]", "{}", "2020-01-01", '"é水"', "[1, 2]"])


@st.composite
def documents(draw: st.DrawFn) -> str:
    """TOML in all its forms, some of it with keys twice."""
    lines = [f"{draw(KEYS)} = {draw(LEAVES)}"]
    for _ in range(draw(st.integers(0, 6))):
        dotted = ".".join(draw(st.lists(KEYS, min_size=1, max_size=3)))
        key, value, other = draw(KEYS), draw(LEAVES), draw(LEAVES)
        inline = f"{{ {key} = {value}, x.y = [ {other}, {{ z = {value} }} ] }}"
        forms = [f"[{dotted}]", f"[[{dotted}]]", f"{dotted} = {value}", f"{dotted} = {inline}  # so"]
        lines.append(draw(st.sampled_from(forms)))
    return "\n".join(lines)


@settings(derandomize=True, deadline=None, max_examples=200)
@given(documents())
def test_in_every_document_that_is_toml_each_value_is_found_where_it_stands(text: str) -> None:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        assert isinstance(Places(text).clashes, list)
        return
    for place, value in leaves(data):
        assert tomllib.loads(f"x = {pointed(text, place)}")["x"] == value
    assert Places(text).clashes == []


@settings(derandomize=True, deadline=None, max_examples=200)
@given(
    st.text(max_size=60), st.lists(st.one_of(st.sampled_from(["a", "frame", "field"]), st.integers(0, 2)), max_size=4)
)
def test_no_text_is_too_odd(text: str, path: list[str | int]) -> None:
    line, column, length = Places(text).span(path)
    assert (line, column) >= (1, 1)
    assert length >= 0


def test_deep_nesting_and_long_files_are_no_trouble() -> None:
    start = time.perf_counter()
    assert Places("a = " + "[" * 20_000).span(("a", 0)).line == 1
    text = "[[frame]]\n" + "field = [\n" + "  { name = 'x', kind = 'flag' },\n" * 3000 + "]\n"
    assert Places(text).span(("frame", 0, "field", 2999, "name")) == Span(3002, 12, 3)
    assert time.perf_counter() - start < 3


def test_a_good_spec_is_read_without_the_parser_of_places() -> None:
    code = (
        "import sys, ullage\n"
        f"ullage.load({str(ROOT / 'spec' / 'orchard.toml')!r})\n"
        "assert not [name for name in sys.modules if name.startswith(('tree_sitter', 'ullage.spec.positions'))]\n"
    )
    made = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr


def test_a_fault_knows_its_text_and_place_and_travels_between_processes() -> None:
    import pickle

    with pytest.raises(ullage.SpecError) as caught:
        ullage.loads("[protocol]\nname = 5\n[[frame]]\nname = 'a'\n", source="node.toml")
    again = pickle.loads(pickle.dumps(caught.value))
    assert (again.faults, again.text, str(again)) == (caught.value.faults, caught.value.text, str(caught.value))
    assert (again.faults[0].line, again.faults[0].column, again.faults[0].span) == (2, 8, 1)
