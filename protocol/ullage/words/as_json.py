"""Decoded values as JSON has them: octets as hex digits, a special code as an object that names it, lists as lists."""

from collections.abc import Mapping
from typing import Any

from ..values import Special


def json_values(values: Mapping[str, Any]) -> dict[str, Any]:
    """The values of a message for `json.dumps`, in the same order.

    Numbers, truth values and text stay; a special code is {"special": "no_echo"}; octets are hex without spaces; a
    list is a list of objects, a group an object, or null where it is absent.
    """
    return {name: json_value(value) for name, value in values.items()}


def json_value(value: Any) -> Any:
    """One value for `json.dumps`."""
    if isinstance(value, Special):
        return {"special": str(value)}
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, Mapping):
        return json_values(value)
    return [json_value(item) for item in value] if isinstance(value, tuple) else value
