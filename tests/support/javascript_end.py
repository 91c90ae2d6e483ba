"""The emitted JavaScript module under Node, once for many cases, and the same questions put to Python."""

from __future__ import annotations

import json
import math
import subprocess
from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

import ullage
from ullage.quantity import plain
from ullage.values import Special
from ullage_codegen.javascript.module import emit_javascript

SAFE = 2**53 - 1
"""Number.MAX_SAFE_INTEGER (ECMA-262)."""

_DECODE = """
const slim = (cells) => cells.map((cell) => {
  if (cell.slot !== undefined) {
    return { slot: { as: cell.slot.as }, reading: cell.reading };
  }
  const items = cell.list === undefined ? [cell.inside] : cell.items;
  const inside = items.map((item) => (item === null ? null : { cells: slim(item.cells) }));
  return cell.list === undefined ? { inside: inside[0] } : { list: cell.list.name, items: inside };
});
const answers = cases.map(([hex, at]) => {
  const octets = octetsOf(hex);
  const answer = decode(octets, at === null ? undefined : at);
  if (answer.status === 0) {
    answer.again = hexOf(Array.from(encode(answer.frame, answer.values)));
    answer.cells = slim(answer.cells);
  }
  return answer;
});
"""
_ENCODE = """
const answers = cases.map(([frame, values]) => {
  try {
    return { octets: hexOf(Array.from(encode(frame, values))) };
  } catch (error) {
    if (!(error instanceof EncodeError) || error.message === "") {
      throw error;
    }
    return { status: error.number, name: error.status, frame: error.frame, field: error.field };
  }
});
"""


class JavaScriptEnd:
    """One module, run by Node for all cases of a call."""

    def __init__(self, protocol: ullage.Protocol) -> None:
        self.text = emit_javascript(protocol, "test.toml")

    def run(self, program: str) -> Any:
        """What `answers` holds after a program that stands behind the module's text and sees all that is in it."""
        script = f"{self.text}{program}\nprocess.stdout.write(JSON.stringify(answers));"
        made = subprocess.run(
            ["node", "--input-type=module"], input=script, capture_output=True, text=True, check=False
        )
        assert made.returncode == 0, made.stderr[-3000:]
        # JavaScript writes a double that is whole without a point, in digits that lead back to it.
        return json.loads(made.stdout, parse_int=lambda text: int(text) if len(text) < 16 else float(text))

    def decode(self, cases: Sequence[tuple[bytes, int | None]]) -> list[dict[str, Any]]:
        """The answers to octets, received at a station or None; again: what the values encode to."""
        sent = json.dumps([(octets.hex(), at) for octets, at in cases])
        answers: list[dict[str, Any]] = self.run(f"const cases = {sent};{_DECODE}")
        return answers

    def encode(self, cases: Sequence[tuple[str, Any]]) -> list[dict[str, Any]]:
        """The octets of values as hex, or the status number and name, frame and field of an EncodeError."""
        sent = ",".join(f"[{json.dumps(frame)}, {script(values)}]" for frame, values in cases)
        answers: list[dict[str, Any]] = self.run(f"const cases = [{sent}];{_ENCODE}")
        return answers


def python_encodes(protocol: ullage.Protocol, frame: str, values: Any) -> dict[str, Any]:
    """What Python makes of the same values, in the same form."""
    try:
        return {"octets": protocol.encode(frame, values).hex()}
    except ullage.EncodeError as error:
        name = None if error.status is None else str(error.status)
        number = None if error.status is None else int(error.status)
        return {"status": number, "name": name, "frame": error.frame, "field": error.field}


def script(value: Any) -> str:
    """The JavaScript expression that means the same to the module as the Python value to the codec."""
    if isinstance(value, Special):
        return f'{{ special: "{value}" }}'
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{json.dumps(name)}: {script(one)}" for name, one in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(script, value)) + "]"
    if isinstance(value, bytes):
        return f'"{value.hex()}"'
    if isinstance(value, Fraction | Decimal):
        return f'"{plain(value) if isinstance(value, Fraction) else value}"'
    if isinstance(value, float):
        return _float(value)
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > SAFE:
        return f'BigInt("{value}")'
    return json.dumps(value)


def _float(value: float) -> str:
    if math.isnan(value):
        return "NaN"
    return repr(value) if math.isfinite(value) else ("Infinity" if value > 0 else "-Infinity")


def as_numbers(value: Any) -> Any:
    """The value as JavaScript would hand it over: a float that is a whole number is that whole number."""
    if (
        isinstance(value, float)
        and value.is_integer()
        and abs(value) <= SAFE
        and (value or math.copysign(1, value) > 0)
    ):
        return int(value)
    return value
