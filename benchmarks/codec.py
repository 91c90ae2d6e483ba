"""How fast the scalar codec is, beside the same layout with the same meaning through construct, in the same run,
how much faster the emitted Python module is, and how much faster columns read many frames.

Run `make bench`, or `make bench BENCH_ARGS=--json`. The frame is the reference frame of spec/reference.toml with two
more values, nine in all. Both sides check the CRC, scale, name special codes and refuse what is no value. The ratio is
what counts: microseconds depend on the machine.
"""

import argparse
import json
import platform
import statistics
import sys
import timeit
from collections.abc import Callable
from types import ModuleType
from typing import Any

import construct
import numpy as np

import ullage
from ullage import columns
from ullage.layout import Choice, Fixed, Flag, Scaled, Slot
from ullage_codegen.python.module import emitted_python

SPEC = """
[protocol]
name = "bench"
revision = 1

[header]
field = [
  { name = "revision",    kind = "revision",    bits = 3 },
  { name = "message",     kind = "message",     bits = 5 },
  { name = "destination", kind = "destination", bits = 8, broadcast = 255 },
  { name = "source",      kind = "source",      bits = 8 },
  { name = "sequence",    kind = "sequence",    bits = 16 },
]

[[frame]]
name = "reading"
message = 1
field = [
  { name = "sensor",      kind = "sensor",  bits = 3 },
  { name = "distance",    kind = "measure", unit = "mm", range = [250, 6000], step = 1, special = ["no_echo", "near"] },
  { name = "temperature", kind = "measure", unit = "Cel", range = [-40, 85], step = 0.5, special = ["no_sensor"] },
  { name = "valve",       kind = "code",    codes = { shut = 0, half = 1, open = 2 } },
  { name = "rising",      kind = "flag" },
  { name = "battery",     kind = "measure", unit = "V", range = [2.00, 4.50], step = 0.01, clamp = true },
]

[integrity]
crc = "CRC-16/IBM-3740"
"""

VALUES: dict[str, Any] = {
    "destination": 1,
    "source": 17,
    "sequence": 9,
    "sensor": 2,
    "distance": 1234,
    "temperature": 21.5,
    "valve": "half",
    "rising": True,
    "battery": 3.71,
}


class _Meaning(construct.Adapter):  # type: ignore[misc]  # construct has no types, so its classes are Any
    """A slot's transform as a construct adapter: scaling, special codes, range, as plainly as construct allows."""

    def __init__(self, slot: Slot) -> None:
        super().__init__(construct.BitsInteger(slot.bits))
        scaled = slot.transform
        assert isinstance(scaled, Scaled)
        self.first, self.lowest, self.highest = scaled.first, scaled.lowest, scaled.highest
        self.whole, self.step, self.per = scaled.whole, scaled.step.numerator, scaled.step.denominator
        self.by_code = {special.code: special.name for special in scaled.specials}
        self.by_name = {special.name: special.code for special in scaled.specials}
        self.clamp = scaled.clamp

    def _decode(self, obj: int, _context: Any, path: str) -> Any:
        if obj in self.by_code:
            return self.by_code[obj]
        steps = obj + self.first
        if not self.lowest <= steps <= self.highest:
            raise construct.ValidationError("a code that stands for nothing", path=path)
        return steps * self.step if self.whole else steps * self.step / self.per

    def _encode(self, obj: Any, _context: Any, path: str) -> int:
        if obj in self.by_name:
            return self.by_name[obj]
        steps: int = round(obj * self.per / self.step)
        if self.clamp:
            steps = min(max(steps, self.lowest), self.highest)
        if not self.lowest <= steps <= self.highest:
            raise construct.ValidationError("outside its range", path=path)
        return steps - self.first


def _part(slot: Slot) -> Any:
    match slot.transform:
        case Fixed(value):
            return construct.Const(value, construct.BitsInteger(slot.bits))
        case Flag():
            return slot.name / construct.Flag
        case Choice(codes):
            known = {code.name: code.code for code in codes}
            return slot.name / construct.Mapping(construct.BitsInteger(slot.bits), known)
    return slot.name / _Meaning(slot)


def through_construct(protocol: ullage.Protocol) -> Any:
    """The frame of SPEC as a construct object that gives and takes values."""
    layout = protocol.frames["reading"]
    crc = protocol.integrity
    assert crc is not None
    body = "body" / construct.RawCopy(construct.BitStruct(*(_part(slot) for slot in layout.slots)))
    check = construct.Checksum(construct.Int16ub, crc.check.function, lambda context: context.body.data)
    return construct.Struct(body, "check" / check, construct.Terminated)


def paired(ours: Callable[[], object], theirs: Callable[[], object], rounds: int = 9) -> tuple[float, float]:
    """The median microseconds of one call of each, taken in turn, so that a slow spell of the machine hits both."""
    timers = [timeit.Timer(action) for action in (ours, theirs)]
    numbers = [max(1, timer.autorange()[0] // 4) for timer in timers]
    found: list[list[float]] = [[], []]
    for _ in range(rounds):
        for times, timer, number in zip(found, timers, numbers, strict=True):
            times.append(timer.timeit(number) / number * 1e6)
    return statistics.median(found[0]), statistics.median(found[1])


def in_columns(protocol: ullage.Protocol, count: int = 50_000, rounds: int = 7) -> dict[str, float]:
    """The median microseconds for each of many different frames: one by one, and in columns, which say the same."""
    frames = [
        protocol.encode("reading", {**VALUES, "sequence": number, "distance": 250 + number % 5000})
        for number in range(count)
    ]
    table = np.frombuffer(b"".join(frames), np.uint8).reshape(count, -1)
    assert columns.decode(protocol, "reading", table).row(count - 1) == protocol.decode(frames[-1]).values
    found: list[list[float]] = [[], []]
    for _ in range(rounds):
        for times, action in zip(
            found,
            (lambda: list(map(protocol.decode, frames)), lambda: columns.decode(protocol, "reading", table)),
            strict=True,
        ):
            times.append(timeit.timeit(action, number=1) / count * 1e6)
    one_by_one, together = map(statistics.median, found)
    return {"one_by_one_us": one_by_one, "columns_us": together, "times_faster": one_by_one / together}


def emitted(protocol: ullage.Protocol) -> dict[str, float]:
    """The median microseconds of the module that `emit python` writes, and how much faster than the toolkit it is."""
    module = ModuleType("bench_frames")
    exec(emitted_python(protocol, "bench.toml").text, module.__dict__)
    octets = protocol.encode("reading", VALUES)
    message: Any = module.__dict__["decode"](octets)
    assert message.as_dict() == VALUES
    assert message.encode() == octets
    decode = paired(lambda: module.__dict__["decode"](octets), lambda: protocol.decode(octets))
    encode = paired(message.encode, lambda: protocol.encode("reading", VALUES))
    return {
        "decode_us": decode[0],
        "encode_us": encode[0],
        "decode_times_faster": decode[1] / decode[0],
        "encode_times_faster": encode[1] / encode[0],
    }


def measure() -> dict[str, Any]:
    """Run both sides on the same frame; they must give the same before either is timed."""
    protocol = ullage.loads(SPEC)
    other = through_construct(protocol)
    octets = protocol.encode("reading", VALUES)
    assert other.build({"body": {"value": VALUES}}) == octets
    parsed = other.parse(octets).body.value
    assert {name: parsed[name] for name in VALUES} == protocol.decode(octets).values == VALUES
    decode = paired(lambda: protocol.decode(octets), lambda: other.parse(octets))
    encode = paired(lambda: protocol.encode("reading", VALUES), lambda: other.build({"body": {"value": VALUES}}))
    ours, theirs = ({"decode": decode[side], "encode": encode[side]} for side in (0, 1))
    return {
        "values": len(VALUES),
        "octets": len(octets),
        "python": platform.python_version(),
        "machine": platform.machine(),
        "scalar_us": ours,
        "construct_us": theirs,
        "times_faster": {way: theirs[way] / ours[way] for way in ours},
        "emitted": emitted(protocol),
        "columns": in_columns(protocol),
    }


def main() -> None:
    """Print the figures, for people or as JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    found = measure()
    if parser.parse_args().json:
        json.dump(found, sys.stdout, indent=2)
        print()
        return
    print(
        f"one frame of {found['values']} values, {found['octets']} octets · "
        f"Python {found['python']}, {found['machine']}"
    )
    print("          scalar codec   construct   times faster")
    for way in ("decode", "encode"):
        ours, theirs = found["scalar_us"][way], found["construct_us"][way]
        print(f"{way:<8}  {ours:9.1f} µs  {theirs:7.1f} µs   {found['times_faster'][way]:12.1f}")
    module = found["emitted"]
    for way in ("decode", "encode"):
        print(
            f"{way:<8}  {module[f'{way}_us']:9.1f} µs in the emitted module, "
            f"{module[f'{way}_times_faster']:.1f} times faster than the scalar codec"
        )
    many = found["columns"]
    print(f"columns   {many['columns_us']:9.2f} µs a frame, {many['times_faster']:.0f} times faster than one by one")


if __name__ == "__main__":
    main()
