"""An invented station: its counters, and quantities that move as real ones do.

Everything is read from the layout, so any protocol has its stations. Each quantity is remembered per frame, field
and sensor, and moves a little with each message; nothing here knows a clock or a file.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from random import Random
from typing import Any

from ..layout import Binary32, Choice, Entry, Flag, Gate, Layout, Opaque, Repeat, Scaled, Slot, Text
from ..unfold import controls

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

_SPECIAL_SHARE = 0.03
_CHANGE_SHARE = 0.2
_DRIFT = 0.004
"""Share of the range that a measure moves by from one message to the next (standard deviation)."""
_DRAIN = 0.0002
"""Share of its range that a battery loses with each message."""
_GROUP_SHARE = 0.5
_EDGE_SHARE = 0.3
_ANY_NUMBER = 100.0
"""Numbers without a range stay below this."""

_Key = tuple[str, str, tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class _About:
    """One message: its frame, its time, where it goes, and the sensors that it is about, name -> code."""

    frame: str
    now: datetime
    destination: int | None
    sensors: dict[str, int]


@dataclass(slots=True)
class SimulatedStation:
    """One sender of frames.

    address: its code in the source field, None where frames have none. sensors: how many rangers it has.
    began: when its power came. sequence: the number of its next frame. rssi: how it is heard, in dBm.
    random: where all its chances come from. starts: how often it has restarted.
    """

    address: int | None
    sensors: int
    began: datetime
    sequence: int
    rssi: float
    random: Random
    starts: int = 0
    _places: dict[_Key, float] = field(default_factory=dict)
    _codes: dict[_Key, int] = field(default_factory=dict)

    def restart(self, now: datetime) -> None:
        """Lose power and come back: sequence number and time since the start begin again, quantities do not."""
        self.began = now
        self.sequence = 0
        self.starts += 1

    def values(self, layout: Layout, now: datetime, destination: int | None) -> dict[str, Any]:
        """Make up what this station sends now, and count its sequence on.

        layout: the frame. destination: the station it is for, where frames say so. Returns values for `encode`.
        """
        sensors = {
            slot.name: self.random.randrange(min(self.sensors, 1 << slot.bits))
            for slot in layout.values
            if slot.kind == "sensor"
        }
        values = self._scope(layout.entries, _About(layout.name, now, destination, sensors), "")
        if any(slot.kind == "sequence" for slot in layout.every_slot):
            self.sequence += 1
        return values

    def _scope(self, entries: tuple[Entry, ...], about: _About, path: str) -> dict[str, Any]:
        """The values of a frame, an item or a group; counts and the flags of groups follow from them."""
        follows = controls(entries)
        values: dict[str, Any] = {}
        there: dict[str, bool] = {}
        for entry in entries:
            place = f"{path}{entry.name}"
            if isinstance(entry, Repeat):
                items = range(self._items(entry))
                values[entry.name] = tuple(self._scope(entry.entries, about, f"{place}[{item}].") for item in items)
            elif isinstance(entry, Gate):
                if entry.when not in there:
                    there[entry.when] = self.random.random() < _GROUP_SHARE
                inside = self._scope(entry.entries, about, f"{place}.") if there[entry.when] else None
                values[entry.name] = inside
            elif entry.given and entry.name not in follows:
                values[entry.name] = self._field(entry, about, path)
        return values

    def _items(self, entry: Repeat) -> int:
        """How many items a list has: any number, and the least and the most oftener than chance gives them."""
        if self.random.random() < _EDGE_SHARE:
            return self.random.choice((entry.least, entry.at_most))
        return self.random.randint(entry.least, entry.at_most)

    def _field(self, slot: Slot, about: _About, path: str) -> Any:
        match slot.kind:
            case "sensor" if slot.name in about.sensors and not path:
                return about.sensors[slot.name]
            case "sensor":
                return self.random.randrange(min(self.sensors, 1 << slot.bits))
            case "source":
                return self.address
            case "destination":
                return about.destination
            case "sequence":
                return self.sequence % (1 << slot.bits)
        # One battery feeds all of a station's sensors, whichever frame tells of it.
        name, sensors = f"{path}{slot.name}", tuple(about.sensors.values())
        return self._value(
            slot, ("", slot.name, ()) if slot.role == "battery" else (about.frame, name, sensors), about.now
        )

    def _value(self, slot: Slot, key: _Key, now: datetime) -> Any:
        match slot.transform:
            case Scaled() as scaled if slot.kind == "time":
                return self._time(scaled, slot.bits, now)
            case Scaled() as scaled if slot.kind == "count":
                return self._count(scaled, key)
            case Scaled() as scaled:
                return self._measure(scaled, key, slot.role == "battery")
            case Flag():
                return bool(self._turn(key, 2))
            case Choice() as choice:
                return choice.codes[self._turn(key, len(choice.codes))].name
            case Text() as text:
                return f"1.{self.starts}.{(self.address or 0) % 10}"[: text.octets]
            case Opaque() as opaque:
                return self.random.randbytes(opaque.octets)
            case Binary32():
                return round(_ANY_NUMBER * self._place(key, battery=slot.role == "battery"), 2)
        raise AssertionError(slot.kind)

    def _time(self, scaled: Scaled, bits: int, now: datetime) -> Fraction:
        elapsed = now - (_EPOCH if scaled.epoch == "unix" else self.began)
        steps = Fraction(elapsed // timedelta(milliseconds=1), 1000) // scaled.step
        return steps % (1 << bits) * scaled.step

    def _count(self, scaled: Scaled, key: _Key) -> int:
        span = scaled.highest - scaled.lowest
        before = self._codes.get(key)
        now = self.random.randrange(min(span, 20) + 1) if before is None else before + self.random.randrange(3)
        self._codes[key] = now % (span + 1)
        return scaled.lowest + self._codes[key]

    def _measure(self, scaled: Scaled, key: _Key, battery: bool) -> Fraction | str:
        if scaled.specials and self.random.random() < _SPECIAL_SHARE:
            return self.random.choice(scaled.specials).name
        span = scaled.highest - scaled.lowest
        return (scaled.lowest + min(span, int(self._place(key, battery) * span))) * scaled.step

    def _place(self, key: _Key, battery: bool) -> float:
        """Where in its range a quantity is now, 0..1."""
        place = self._places.get(key)
        if place is None:
            place = self.random.uniform(0.6, 0.8) if battery else self.random.uniform(0.15, 0.85)
        elif battery:
            place -= _DRAIN
        else:
            place += self.random.gauss(0.0, _DRIFT)
        self._places[key] = place = min(max(place, 0.0), 1.0)
        return place

    def _turn(self, key: _Key, many: int) -> int:
        """Which of several conditions holds: mostly the one before, else the next, so that each has its turn."""
        place = self._codes.get(key, 0)
        if key in self._codes and self.random.random() < _CHANGE_SHARE:
            place += 1
        self._codes[key] = place % many
        return self._codes[key]
