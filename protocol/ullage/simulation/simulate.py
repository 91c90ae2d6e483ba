"""A receiver's log of invented stations, and the truth about each of its lines.

Stations send every frame of the protocol at its interval; some frames are lost, some arrive damaged or twice,
stations restart, neighbours are heard, and the receiver talks in between. All is drawn from one seeded generator.
Whether a line must give a reading is asked of the codec while the line is made, never assumed.

The truth, one JSON object a line of the log, keys that do not apply left out:
  line      the line's number, counted from 1
  kind      frame, repeat, damaged, foreign, cut, noise or blank
  must      reading, refused or none: what a decoder that hears everybody has to say of this line
  reason    why it must be refused
  frame     the frame that was sent, with station (its sender), values, and link (rssi_dbm, snr_db)
  octets    what stands in the line, in hex
  sent      what was sent, where that is something else
  flipped   the damaged bits, counted from 0 at the most significant bit of octet 0
  what      of a foreign packet: random, other_crc, other_revision or other_message
  read      the frame and values that a decoder takes these octets for, where it takes them for another message
What leaves no line has objects of its own:
  {"lost": true, "frame": ..., "station": ..., "values": ..., "octets": ...}     sent and not heard
  {"restart": true, "station": ...}     this station's sequence begins again at 0; a sealed one's counts on
Of a protocol with sealed frames the truth is what a decoder says that has the invented keys and no memory; the object
of a frame then has sealed, and counter where it is.
"""

import heapq
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import count
from random import Random
from typing import Any

from ..errors import Refused
from ..layout import Layout, header_slot
from ..protocol import Protocol
from ..seal.keys import Key
from ..words.as_json import json_values
from .simulated_damage import Damage
from .simulated_log import chatter, new_style
from .simulated_seal import Sealing, invented_keys
from .simulated_station import SimulatedStation

START = datetime(2025, 3, 1, 6, 0, tzinfo=UTC)
"""When a log begins unless the caller says otherwise."""

STATIONS = range(17, 22)
HUB = 1

MOST_FRAMES = 1_000_000
SHORT_BY = 2
"""Octets that a line may have less than the shortest frame and still hold a damaged one, for who reads lines."""

_EARLIEST, _LATEST = 1970, 2200
_INTERVAL_S = 3600.0
"""Seconds between two frames that come when something happens, on the average."""
_LONGEST_PAUSE_S = 86_400.0
_SETTLING_S = 300.0
"""Seconds after power-up in which a station sends each of its frames once."""

_RESTARTS, _NEW_STYLES = 0.004, 0.004
_LOST, _DAMAGED, _CUT, _REPEATED = 0.03, 0.03, 0.01, 0.03
_FOREIGN, _NOISE, _BLANK = 0.02, 0.04, 0.02


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened: its line in the log (without line end), or None, and the truth about it."""

    text: str | None
    truth: dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Task:
    """Something a station has to send: a frame to a destination, or once more what it sent before."""

    station: SimulatedStation
    layout: Layout
    destination: int | None
    again: dict[str, Any] | None = None


_Due = tuple[datetime, int, _Task]


def _codes(protocol: Protocol) -> tuple[int, list[int]]:
    """The hub's code and those of the stations, as far as source and destination have the bits."""
    slots = [slot for kind in ("source", "destination") if (slot := header_slot(protocol.frames, kind))]
    broadcasts = [getattr(slot.transform, "broadcast", None) for slot in slots]
    free = [code for code in range(min([256, *(1 << slot.bits for slot in slots)])) if code not in broadcasts]
    hub = protocol.seal.hub if protocol.seal else HUB if HUB in free else free[0]
    others = [code for code in free if code != hub]
    return hub, [code for code in STATIONS if code in others] or others[-len(STATIONS) :] or [hub]


def simulate(protocol: Protocol, frames: int, seed: int = 1, start: datetime = START) -> Iterator[Happening]:
    """Invent a log.

    protocol: any protocol. frames: how many frames the stations send (lost ones count, repeats do not). seed: the
    same seed gives the same log. start: when it begins. Gives the happenings in the order of the log.
    Raises ValueError for more than `MOST_FRAMES` frames, or a start outside the years 1970..2200.
    """
    if not 0 <= frames <= MOST_FRAMES:
        raise ValueError(f"{frames} frames; 0..{MOST_FRAMES} can be invented")
    if not _EARLIEST <= start.year <= _LATEST:
        raise ValueError(f"the year {start.year}; a log may begin in {_EARLIEST}..{_LATEST}")
    return _Simulation(protocol, Random(seed), start, keys_of(protocol, seed)).run(frames)


def keys_of(protocol: Protocol, seed: int) -> dict[int | None, Key]:
    """The keys with which `simulate` seals, station -> key; none for a protocol without sealed frames."""
    if protocol.seal is None:
        return {}
    hub, stations = _codes(protocol)
    return invented_keys(protocol, seed, sorted({hub, *stations}))


class _Simulation:
    def __init__(self, protocol: Protocol, random: Random, start: datetime, keys: dict[int | None, Key]) -> None:
        self.protocol = protocol
        self.sealing = Sealing(protocol, protocol.seal, keys) if protocol.seal else None
        self.decode = self.sealing.receiver.decode if self.sealing else protocol.decode
        self.random = random
        self.now = start
        self.line = 0
        self.style = new_style(random, start, protocol.shortest)
        self.damage = Damage(protocol, random)
        self.ties = count()
        self.due: list[_Due] = []
        self.counted = any(slot.kind == "sequence" for layout in protocol.frames.values() for slot in layout.every_slot)
        self.hub_code, self.addresses = _codes(protocol)
        if header_slot(protocol.frames, "source") is None:
            self.stations, self.hub = [self._station(None, 0)], self._station(None, 1)
        else:
            self.stations = [self._station(address, place) for place, address in enumerate(self.addresses)]
            self.hub = self._station(self.hub_code, 0)
        for task in self._tasks():
            self._put(task, random.uniform(0.0, _SETTLING_S))

    def run(self, frames: int) -> Iterator[Happening]:
        """The happenings, until that many frames have been sent."""
        sent = 0
        while sent < frames:
            self.now, _, task = heapq.heappop(self.due)
            yield from self._between()
            if task.again is not None:
                yield self._packet(task.station, "repeat", task.again, task.again["octets"])
                continue
            self._put(task, self._pause(task.layout))
            if task.station is not self.hub and self.counted and self.random.random() < _RESTARTS:
                yield self._restart(task.station)
            yield self._send(task)
            sent += 1

    def _station(self, address: int | None, place: int) -> SimulatedStation:
        # One counter begins near the end of 16 bits, so that a log shows what comes after the last number.
        sequence = 65_536 - self.random.randrange(1, 60) if place == 1 else self.random.choice((0, 1, 9, 411, 1900))
        return SimulatedStation(address, 1 + place % 2, self.now, sequence, -78.0 - 9.0 * place, self.random)

    def _tasks(self) -> Iterator[_Task]:
        addressed = self.protocol.destination_slot is not None
        for layout in self.protocol.frames.values():
            if any(slot.role == "order" for slot in layout.every_slot):
                yield from (_Task(self.hub, layout, to) for to in (self.addresses if addressed else [None]))
            else:
                yield from (_Task(station, layout, self.hub_code) for station in self.stations)

    def _put(self, task: _Task, seconds: float) -> None:
        when = self.now + timedelta(milliseconds=1 + int(1000 * seconds))
        heapq.heappush(self.due, (when, next(self.ties), task))

    def _pause(self, layout: Layout) -> float:
        if layout.interval_s is None:
            return self.random.expovariate(1 / _INTERVAL_S)
        return min(float(layout.interval_s), _LONGEST_PAUSE_S) * self.random.uniform(0.995, 1.005)

    def _restart(self, station: SimulatedStation) -> Happening:
        """Power comes back: all frames are soon sent, and the sequence begins again."""
        station.restart(self.now)
        if self.sealing is not None:
            self.sealing.restart(station)
        late = self.now + timedelta(seconds=_SETTLING_S)
        moved = [entry for entry in self.due if entry[2].station is station and entry[0] > late]
        self.due = [entry for entry in self.due if entry not in moved]
        heapq.heapify(self.due)
        for _, _, task in moved:
            self._put(task, self.random.uniform(1.0, _SETTLING_S))
        return Happening(None, {"restart": True, "station": station.address})

    def _send(self, task: _Task) -> Happening:
        """One new frame, and what becomes of it."""
        given = task.station.values(task.layout, self.now, task.destination)
        truth: dict[str, Any] = {"frame": task.layout.name, "station": task.station.address}
        if self.sealing is None:
            octets = self.protocol.encode(task.layout.name, given)
            message = self.protocol.decode(octets)
        else:
            octets, message = self.sealing.send(task.station, task.layout.name, given)
            truth |= {"sealed": message.sealed, **({"counter": message.counter} if message.sealed else {})}
        truth |= {"values": json_values(message.values), "octets": octets.hex()}
        fate = self.random.random()
        if fate < _LOST:
            return Happening(None, {"lost": True} | truth)
        if fate < _LOST + _DAMAGED:
            damaged, flipped = self.damage.flip(octets)
            return self._packet(task.station, "damaged", truth | {"flipped": flipped}, damaged.hex())
        if fate < _LOST + _DAMAGED + _CUT and len(octets) > 1:
            return self._cut(truth, octets)
        if fate > 1.0 - _REPEATED:
            self._put(replace(task, again=truth), self.random.uniform(1.0, 3.0))
        return self._packet(task.station, "frame", truth, octets.hex())

    def _packet(self, station: SimulatedStation | None, kind: str, about: dict[str, Any], octets: str) -> Happening:
        """The line of a packet that the receiver printed whole."""
        arrived = bytes.fromhex(octets)
        rssi = round(self.random.gauss(station.rssi if station else -112.0, 2.5))
        snr = round(4 * (min(9.0, (rssi + 121.0) / 2.5) + self.random.gauss(0.0, 1.0))) / 4
        truth = {"kind": kind, **about, "link": {"rssi_dbm": rssi, "snr_db": snr}}
        return self._line(self.style.frame_line(self.now, arrived, rssi, snr), truth, arrived)

    def _cut(self, truth: dict[str, Any], octets: bytes) -> Happening:
        """The line of a packet that the receiver did not print to its end."""
        left = self.damage.cut(octets)
        return self._line(self.style.cut_line(self.now, left), {"kind": "cut", **truth}, left)

    def _line(self, text: str, truth: dict[str, Any], octets: bytes) -> Happening:
        """Number a line, and ask the codec what a decoder has to say of it."""
        self.line += 1
        about = {"line": self.line, **truth}
        if not octets:
            return Happening(text, about | {"must": "none"})
        if about.get("octets", octets.hex()) != octets.hex():
            about["sent"] = about["octets"]
        about["octets"] = octets.hex()
        try:
            message = self.decode(octets)
        except Refused as refused:
            if len(octets) < self.protocol.shortest - SHORT_BY:
                return Happening(text, about | {"must": "none"})
            return Happening(text, about | {"must": "refused", "reason": str(refused.reason)})
        read = {"frame": message.frame, "values": json_values(message.values)}
        if any(about.get(key) != value for key, value in read.items()):
            about["read"] = read
        return Happening(text, about | {"must": "reading"})

    def _between(self) -> Iterator[Happening]:
        """What the receiver printed since the last packet."""
        random = self.random
        if random.random() < _NEW_STYLES:
            self.style = new_style(random, self.now, self.protocol.shortest)
            yield self._line(self.style.chatter_line(self.now, "receiver started"), {"kind": "noise"}, b"")
        if random.random() < _NOISE:
            text = chatter(random, self.protocol.shortest)
            yield self._line(self.style.chatter_line(self.now, text), {"kind": "noise"}, b"")
        if random.random() < _BLANK:
            yield self._line(random.choice(("", "", "  ")), {"kind": "blank"}, b"")
        if random.random() < _FOREIGN:
            octets, what = self.damage.foreign()
            yield self._packet(None, "foreign", {"what": what}, octets.hex())
