"""The registers of a rig's devices at one tick of the plant: every device table as its addresses lie.

A table reaches from its first point's address to its last one's; what lies between two points reads 0, as the unused
words of a PLC's data block do. What lies outside is not there at all. Every brake of a rig shows the same one plant.
Roles that the plant does not have stand at a steady, plausible value, so that nobody misses them.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from brakewater.rig import SELF, Point, Rig, Table
from brakewater_sim.simulate import Tick
from brakewater_sim.words import is_counter, words

STEADY: Mapping[str, float] = {
    "push-acknowledge": 0.0,
    "push-silence": 0.0,
    "push-reset": 0.0,
    "push-test": 0.0,
}
"""Roles without a plant behind them, in SI; invented."""

HEARTBEAT_WRAPS = 10_000

Place = tuple[str, Table]
"""A device and one of its tables."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Registers:
    """The tables of all devices at one moment."""

    first: Mapping[Place, int]
    """Address of each table's first word."""
    held: Mapping[Place, list[int]]
    silent: frozenset[str]
    """Devices that do not answer."""

    def read(self, place: Place, address: int, count: int) -> list[int] | None:
        """Words (of bit tables: bits) from ``address`` on; None where any of them is not there."""
        at = address - self.first.get(place, 0)
        found = self.held.get(place, [])
        return found[at : at + count] if at >= 0 and at + count <= len(found) else None


class Wiring:
    """Which registers a rig has; ``registers`` fills them."""

    def __init__(self, rig: Rig) -> None:
        self._points = rig.points
        self._volume = {point.name: 0.0 for point in rig.points if is_counter(point)}
        """m3 that each pulse counter has counted."""
        self._t_ns = 0
        self._stuck: dict[Place, list[int]] = {}
        """What the tables of devices that stand still held when that began."""
        spans: dict[Place, tuple[int, int]] = {}
        for point in rig.points:
            low, high = spans.get(_place(point), (point.address, 0))
            spans[_place(point)] = min(low, point.address), max(high, point.address + point.count)
        self._first = {place: low for place, (low, _) in spans.items()}
        self._empty = {place: [0] * (high - low) for place, (low, high) in spans.items()}

    def registers(self, tick: Tick) -> Registers:
        """All tables as they stand at a tick."""
        held = {place: cells.copy() for place, cells in self._empty.items()}
        step_s, self._t_ns = max(0, tick.t_ns - self._t_ns) / 1e9, tick.t_ns
        for point in self._points:
            cells, at = held[_place(point)], point.address - self._first[_place(point)]
            value, broken = value_of(point, tick), tick.broken.get(point.role, "")
            if point.name in self._volume:  # a counter whose wire is broken stands still
                self._volume[point.name] += 0.0 if broken else max(0.0, value) * step_s
                value, broken = self._volume[point.name], ""
            for offset, word in enumerate(words(point, value, broken)):
                cells[at + offset] |= word
        self._stuck = {place: self._stuck.get(place, cells) for place, cells in held.items() if place[0] in tick.stuck}
        held |= self._stuck
        return Registers(first=self._first, held=held, silent=tick.silent)


_LINKS = ("self.broker", "self.lamp-writes", "self.panel", "self.mains")


def _place(point: Point) -> Place:
    return point.device, point.table


def value_of(point: Point, tick: Tick) -> float:
    """What a point shows at a tick, in SI. The daemon's own points stand as they do when all is well."""
    if point.device == SELF:
        return float(point.role in _LINKS)
    if point.role in tick.measured:
        return tick.measured[point.role]
    if point.role == "heartbeat":
        return float(tick.t_ns // 1_000_000_000 % HEARTBEAT_WRAPS)
    return STEADY[point.role]
