"""The JSON Schema that editors use comes from the keys that a spec is read by, and says the same of a spec's shape.

Outside oracle: the jsonschema package (draft 2020-12).
"""

import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings

import ullage
from support.protocols import specs
from support.tiny import tiny
from ullage.spec.schema import text
from ullage.spec.specfile import json_schema

SPEC = Path(__file__).parents[2] / "spec"
VALIDATOR = jsonschema.Draft202012Validator(json_schema())
FLAG = 'name = "x", kind = "flag"'


def messages(spec: str) -> list[str]:
    return [error.message for error in VALIDATOR.iter_errors(tomllib.loads(spec))]


def test_the_shipped_schema_is_the_one_that_the_command_prints() -> None:
    shipped = (SPEC / "ullage.schema.json").read_text(encoding="ascii")
    assert shipped == text(), "make schema writes it again"
    command = [sys.executable, "-m", "ullage.spec.schema"]
    assert subprocess.run(command, capture_output=True, text=True, check=True).stdout == shipped


def test_it_is_a_schema_of_draft_2020_12_and_a_word_of_no_other_standard_is_in_it() -> None:
    schema = json.loads(text())
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)
    known = set(jsonschema.Draft202012Validator.VALIDATORS) | {"$schema", "$defs", "title", "description", "default"}
    assert keywords(schema) <= known | {"examples"}


def keywords(schema: Any) -> set[str]:
    """The keywords of a schema, without the names of properties and definitions."""
    if isinstance(schema, list):
        return set().union(*map(keywords, schema))
    if not isinstance(schema, dict):
        return set()
    found = set(schema)
    for key, value in schema.items():
        named = key in ("properties", "$defs") and isinstance(value, dict)
        if key not in ("default", "examples", "enum", "const", "required"):
            found |= keywords(list(value.values()) if named else value)
    return found


@pytest.mark.parametrize("path", sorted(SPEC.rglob("*.toml")), ids=lambda path: path.stem)
def test_a_shipped_spec_fits_the_schema(path: Path) -> None:
    assert messages(path.read_text(encoding="utf-8")) == []


@settings(derandomize=True, deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
@given(specs())
def test_a_generated_spec_fits_the_schema(spec: str) -> None:
    assert messages(spec) == []


@pytest.mark.parametrize(
    "spec",
    [
        "",
        tiny(FLAG, protocol="colour = 1"),
        tiny('name = "x", kind = "mesure"'),
        tiny('name = "x", kind = "flag", bits = 1'),
        tiny('name = "x"'),
        tiny('name = "x", kind = "count", bits = 65'),
        tiny('name = "x", kind = "count", bits = true'),
        tiny('name = "x", kind = "text", octets = 0'),
        tiny('name = "x", kind = "measure", unit = "m", range = [0], step = 1'),
        tiny('name = "x", kind = "measure", unit = "m", range = [0, 1], step = "1"'),
        tiny('name = "x", kind = "measure", unit = "m", range = [0, 1], step = 1, special = [1]'),
        tiny('name = "x", kind = "time", bits = 8, epoch = "1970"'),
        tiny(FLAG, frame="message = 65536"),
        tiny(FLAG, protocol="language = 2"),
        tiny(FLAG, rest="[integrity]\ncrc = 5"),
        tiny(FLAG, rest="[integrity]\ncrc = { width = 8 }"),
        tiny(FLAG, rest='[radio]\nmodulation = "am"'),
        tiny(FLAG, rest='[radio]\nmodulation = "lora"\nspreading_factor = 7\nbandwidth_khz = 0\ncoding_rate = "4/5"'),
        tiny(FLAG, rest="[seal]\nkey_bits = 128"),
    ],
)
def test_what_the_reader_refuses_for_its_shape_does_not_fit_the_schema_either(spec: str) -> None:
    with pytest.raises(ullage.SpecError):
        ullage.loads(spec)
    assert messages(spec)
