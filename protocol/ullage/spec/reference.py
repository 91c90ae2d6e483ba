"""The generated parts of spec/FORMAT.md: keys of tables and kinds, answers, reserved words, refused CRC names.

They come from the tables that the code itself reads, so that page and code cannot differ. `python -m
ullage.spec.reference` prints them; with the path of a document it writes each between its marks there.
"""

import re
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from ..crc import EVERYDAY, by_name
from ..names import RESERVED
from ..status import Status
from .specfile import json_schema

_PART = re.compile(r"(<!-- generated: (?P<name>[^\n]*?) -->\n).*?(<!-- end -->)", re.DOTALL)
_MARK = re.compile(r"<!-- (?:generated: [^\n]*?|end) -->")
_TABLES = {
    "`[protocol]`": "ProtocolTable",
    "`[header]`": "HeaderTable",
    "`[[frame]]`": "FrameTable",
    "`[[part]]`": "PartTable",
    "`[integrity]`": "IntegrityTable",
    "`crc = { … }`": "CrcParameters",
    "`sum = { … }`": "SumParameters",
    "`[seal]`": "SealTable",
    "`[radio]` LoRa": "LoraTable",
    "`[radio]` FSK": "FskTable",
}
_EVERY_KIND = ("name", "kind", "summary", "role")
_ORDER = "octet_order"
"""A key that most kinds have."""
_NO_LIMIT = -(1 << 63)
"""What the schema says of a whole number without a lower limit of its own."""

Schema = dict[str, Any]
Row = tuple[str, ...]


def parts() -> dict[str, str]:
    """Every generated part by its name, as Markdown with a line end."""
    schema = json_schema()
    keys = ("key", "value", "needed", "meaning")
    return {
        "tables": _table(("table", *keys), _table_rows(schema)),
        "kinds": _table(("kind", *keys), _kind_rows(schema)),
        "answers": _table(("number", "name", "meaning"), ((str(int(s)), f"`{s}`", s.meaning) for s in Status)),
        "reserved words": _reserved(),
        "everyday names": _table(("name, as it is compared", "check value of each meaning"), _everyday()),
    }


def kinds() -> dict[str, Schema]:
    """The JSON Schema of each kind of field by the kind's name, in the order of the language."""
    return _kinds(json_schema())


def rewritten(document: str) -> str:
    """A document with its generated parts made anew.

    document: Markdown; each part stands between `<!-- generated: NAME -->` and `<!-- end -->`, alone on their lines.
    Returns the text, the rest untouched. Raises ValueError for a name that `parts` does not give, and for marks that
    are no pairs.
    """
    fresh = parts()
    ends = [mark.startswith("<!-- end") for mark in _MARK.findall(document)]
    if ends != [False, True] * (len(ends) // 2):
        raise ValueError("a mark of a generated part has no counterpart")

    def renew(found: re.Match[str]) -> str:
        if found["name"] not in fresh:
            raise ValueError(f"there is no generated part {found['name']!r}; there are {', '.join(fresh)}")
        return found[1] + fresh[found["name"]] + found[3]

    return _PART.sub(renew, document)


def _kinds(schema: Schema) -> dict[str, Schema]:
    found: dict[str, Schema] = {}
    for reference in schema["$defs"]["FrameTable"]["properties"]["field"]["items"]["oneOf"]:
        model = schema["$defs"][reference["$ref"].rpartition("/")[2]]
        kind = model["properties"]["kind"]
        found |= dict.fromkeys(kind.get("enum") or [kind["const"]], model)
    return found


def _table_rows(schema: Schema) -> Iterator[Row]:
    """The keys of the file, then those of each table."""
    models = {"the file": schema} | {title: schema["$defs"][name] for title, name in _TABLES.items()}
    for title, model in models.items():
        for key in model["properties"]:
            yield title, *_key_row(key, model)


def _kind_rows(schema: Schema) -> Iterator[Row]:
    """The keys that every kind has, then those of each; kinds with the same keys share their rows."""
    sharing: dict[str, list[str]] = {}
    models = _kinds(schema)
    for kind, model in models.items():
        sharing.setdefault(str(_own(model)), []).append(kind)
    every = models["measure"]
    for key in _EVERY_KIND:
        yield "every kind", *_key_row(key, every)
    ordered = [f"`{kind}`" for kind, model in models.items() if _ORDER in model["properties"]]
    yield ", ".join(ordered), *_key_row(_ORDER, every)
    for names in sharing.values():
        model = models[names[0]]
        for key in _own(model) or [""]:
            row = _key_row(key, model) if key else ("–",) * 4
            yield ", ".join(f"`{name}`" for name in names), *row


def _own(model: Schema) -> Schema:
    return {key: value for key, value in model["properties"].items() if key not in (*_EVERY_KIND, _ORDER)}


def _key_row(key: str, model: Schema) -> Row:
    """One key: what stands behind it, whether it is needed, and what it means."""
    if key == "kind":
        return "`kind`", "text", "yes", "what the field is: one of the kinds below"
    value = model["properties"][key]
    default = value.get("default")
    needed = "no" if default in (None, "", {"field": []}) else f"no: {_literal(default)}"
    return f"`{key}`", _words(value), "yes" if key in model.get("required", ()) else needed, value["description"]


def _words(value: Schema) -> str:
    """What stands behind a key, in words."""
    choices = value.get("anyOf") or value.get("oneOf")
    if choices:
        return " or ".join(dict.fromkeys(map(_words, choices)))
    if "$ref" in value:
        return "table"
    if "enum" in value or "const" in value:
        words = [_literal(item) for item in value.get("enum") or [value["const"]]]
        return " or ".join(filter(None, (", ".join(words[:-1]), words[-1])))
    match value["type"]:
        case "integer" if value.get("minimum", _NO_LIMIT) != _NO_LIMIT:
            most = value.get("maximum")
            return f"whole number {value['minimum']}..{most}" if most else f"whole number from {value['minimum']}"
        case "integer":
            return "whole number"
        case "number":
            return "number above 0" if "exclusiveMinimum" in value else "number"
        case "boolean":
            return "`true` or `false`"
        case "array" if "prefixItems" in value:
            return f"two {_words(value['prefixItems'][0])}s"
        case "array":
            return f"list of {_words(value['items'])}s"
        case "object":
            return f"table of {_words(value['additionalProperties'])}s"
    return f"text like {_literal(value['examples'][0])}" if "examples" in value else "text"


def _literal(value: object) -> str:
    """A value as TOML writes it, set as code."""
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f'`"{value}"`' if isinstance(value, str) else f"`{value}`"


def _reserved() -> str:
    """One paragraph: each language with the words that it claims and none before it does."""
    by_language: dict[str, list[str]] = {}
    for word, language in RESERVED.items():
        by_language.setdefault(language.partition(":")[0], []).append(word)
    text = " ".join(f"**{language}**: {', '.join(words)}." for language, words in by_language.items())
    return textwrap.fill(text, 118, break_on_hyphens=False) + "\n"


def _everyday() -> Iterator[Row]:
    """Spellings, and what they are used for."""
    for spellings, names in EVERYDAY.items():
        crcs = map(by_name, names.split())
        meanings = (f"{crc.to_hex(crc.check)} {crc.name}" for crc in crcs)
        yield ", ".join(f"`{spelling}`" for spelling in spellings.split()), ", ".join(meanings)


def _table(heading: Row, rows: Iterable[Row]) -> str:
    lines = [heading, ("---",) * len(heading), *rows]
    return "".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |\n" for line in lines)


def main(paths: Sequence[str]) -> None:
    """Renew the parts in each document that is named, or print them when none is."""
    for path in map(Path, paths):
        path.write_text(rewritten(path.read_text(encoding="utf-8")), encoding="utf-8")
    if not paths:
        shown = (f"<!-- generated: {name} -->\n{text}<!-- end -->\n" for name, text in parts().items())
        sys.stdout.write("\n".join(shown))


if __name__ == "__main__":
    main(sys.argv[1:])
