"""Print the JSON Schema of the spec language, for editors: `make schema` writes spec/ullage.schema.json.

It comes from the same table of keys that reads a spec, so the two cannot differ.
"""

import json

from .specfile import json_schema


def text() -> str:
    """The schema as the text of its file: indented, keys in the order of the language, ASCII only."""
    return json.dumps(json_schema(), indent=2) + "\n"


if __name__ == "__main__":
    print(text(), end="")
