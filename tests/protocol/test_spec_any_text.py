"""Whatever text or octets are read as a spec: a protocol or a SpecError, nothing else, and soon."""

import random
import re
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import ullage
from support.protocols import specs

PATHS = sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))
SHIPPED = [pytest.param(path.read_text(encoding="utf-8"), id=path.stem) for path in PATHS]
NASTY = (
    *("true", "inf", "-nan", "1e999999999", "-1", "0", "0x" + "F" * 40, "9" * 70, "1.0", "1e-30", "2020-01-01", '""'),
    *(
        "[]",
        "{}",
        "[1, 2, 3]",
        "[[]]",
        "{ a = 1 }",
        '"' + "x" * 300 + '"',
        '"\\u0000"',
        '"""',
        "#",
        "\n",
        "=",
        "é",
        "'",
    ),
    *("[[frame]]", "[header]", "[protocol]", "measure", "message", "name", "field", "bits = 8", "range", "special"),
)
TOKENS = re.compile(r"[A-Za-z_0-9.+-]+|\"[^\"\n]*\"|\s+|.")
MANY = settings(derandomize=True, deadline=None, max_examples=30, suppress_health_check=list(HealthCheck))


def judge(text: str | bytes) -> bool:
    """Whether reading gives a protocol; otherwise it gives faults in full; and soon."""
    start = time.perf_counter()
    read = outcome(text)
    assert time.perf_counter() - start < 5
    if isinstance(read, ullage.Protocol):
        assert read.frames
        assert len(read.fingerprint) == 16
        return True
    assert read.faults
    assert len(set(read.faults)) == len(read.faults)
    for fault in read.faults:
        assert fault.code
        assert fault.text.strip()
        assert f"{fault.place}{fault.text}{fault.help}".isprintable()
        assert fault.place or not fault.path
        assert not re.search("pydantic|Input should|<class", fault.text)
    return False


def outcome(text: str | bytes) -> ullage.Protocol | ullage.SpecError:
    try:
        return ullage.loads(text)
    except ullage.SpecError as error:
        return error


def changed(tokens: list[str], rng: random.Random) -> str:
    """The tokens with one to three of them replaced, dropped, doubled or swapped."""
    tokens = list(tokens)
    for _ in range(rng.randint(1, 3)):
        place, other = rng.randrange(len(tokens)), rng.randrange(len(tokens))
        match rng.randrange(4):
            case 0:
                tokens[place] = rng.choice(NASTY)
            case 1:
                tokens[place] = ""
            case 2:
                tokens[place] = tokens[other]
            case _:
                tokens[place], tokens[other] = tokens[other], tokens[place]
    return "".join(tokens)


@pytest.mark.parametrize("text", SHIPPED)
def test_a_shipped_spec_with_some_tokens_changed_is_read_or_refused(text: str) -> None:
    rng, tokens = random.Random(7), TOKENS.findall(text)
    assert "".join(tokens) == text
    sound = sum(judge(changed(tokens, rng)) for _ in range(250))
    assert 0 < sound < 250  # the changes are neither all harmless nor all fatal


@pytest.mark.parametrize("text", SHIPPED)
def test_a_shipped_spec_with_some_characters_changed_is_read_or_refused(text: str) -> None:
    rng = random.Random(8)
    sound = 0
    for _ in range(250):
        letters = list(text)
        for _ in range(rng.randint(1, 3)):
            letters[rng.randrange(len(letters))] = rng.choice(
                ("", "x", '"', "\\", "\x00", "\x7f", "0", "-", "]", "€", "\n")
            )
        sound += judge("".join(letters))
    assert 0 < sound < 250


@MANY
@given(specs(), st.integers(0, 2**32))
def test_a_generated_spec_with_some_tokens_changed_is_read_or_refused(text: str, seed: int) -> None:
    judge(changed(TOKENS.findall(text), random.Random(seed)))


@MANY
@given(st.binary(max_size=200))
def test_random_octets_are_no_spec(octets: bytes) -> None:
    assert not judge(octets)


VALUES = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(2**70), 2**70),
        st.sampled_from(["inf", "nan", "1e999999999", "-1.5", "2020-01-01", "07:32:00", '"x"', '"measure"', '""']),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.sampled_from("abc"), inner, max_size=2)),
    max_leaves=6,
)
KEYS = {
    "protocol": ("name", "revision", "summary", "language", "x"),
    "header": ("field", "x"),
    "integrity": ("crc", "covers_from", "octet_order", "sum"),
    "radio": ("modulation", "spreading_factor", "bandwidth_khz", "bit_rate"),
}


def toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml(item)}" for key, item in value.items()) + " }"
    return str(value)


@st.composite
def wrong_values(draw: st.DrawFn) -> str:
    """TOML in which every key may have any value."""
    lines = []
    for table, keys in KEYS.items():
        if draw(st.booleans()):
            lines.append(f"[{table}]")
            lines += [f"{key} = {toml(draw(VALUES))}" for key in keys if draw(st.booleans())]
    for _ in range(draw(st.integers(0, 2))):
        lines.append("[[frame]]")
        lines += [f"{key} = {toml(draw(VALUES))}" for key in ("name", "message", "interval") if draw(st.booleans())]
        kind = draw(st.sampled_from(["measure", "count", "code", "time", "text", "constant", "spare", "message"]))
        own = st.sampled_from(["name", "bits", "range", "step", "zero", "special", "codes", "octets", "value", "unit"])
        values: dict[str, object] = draw(st.dictionaries(own, VALUES, max_size=4))
        lines.append(f"field = [ {toml({'kind': chr(34) + kind + chr(34), **values})}, {toml(draw(VALUES))} ]")
    return "\n".join(lines)


@MANY
@given(wrong_values())
def test_any_value_for_any_key_is_read_or_refused(text: str) -> None:
    judge(text)
