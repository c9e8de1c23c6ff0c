"""A window of a record as charts: every scan kept once, shown at any zoom as the least and most of each stretch.

Nothing is hidden: whatever one scan said lies between the least and the most of its stretch.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.alarms.catalogue import CATALOGUE
from brakewater.engine import Engine
from brakewater.errors import NothingThereError
from brakewater.physics.uncertainty import COVERAGE
from brakewater.quality import is_bad
from brakewater.record.reader import Record
from brakewater.render import dimension_of_derived, dimension_of_point
from brakewater.review.replay import Tally, replayed
from brakewater.rig import Rig
from brakewater.stream import AlarmNow, Block, Column, Floats, Input, Ints, Outcome
from brakewater.units import CREW_UNITS, Dimension, shown

Singles = NDArray[np.float32]
"""Single precision: seven digits are more than any sensor has."""
_Key = tuple[str, str, Dimension]
"""Brake, quantity, what it measures."""

ROLES: Final = ("inlet-flow", "inlet-temperature", "outlet-temperature", "brake-level")
DERIVED: Final = ("outlet_rise_k", "heat_w", "duty_w", "cooling_margin", "rotor_temperature_degc")
BANDS: Final = {"rotor_temperature_degc": "rotor_temperature_std_k"}
"""What is an estimate, drawn with its expanded uncertainty (k = 2) to both sides, and its standard uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """One quantity of one brake."""

    brake: str
    quantity: str
    """A role or a derived quantity."""
    dimension: Dimension
    values: Singles
    """[n], SI; NaN where bad."""
    band: Singles | None = None
    """[n], SI: so far it may lie off to either side, which is drawn with it; None for what was measured."""

    def sides(self) -> tuple[Singles, Singles]:
        """What each scan reaches down and up to."""
        return (self.values, self.values) if self.band is None else (self.values - self.band, self.values + self.band)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """The setpoint of an alarm on a charted quantity, as it was in force."""

    brake: str
    alarm: str
    """Its kind: a key of ``CATALOGUE``."""
    steps: tuple[tuple[int, float | None], ...]
    """From when by wall time in ns, and to what in SI; None: no such alarm is watched from then on."""

    @property
    def quantity(self) -> str:
        """The line it belongs to."""
        return CATALOGUE[self.alarm].quantity


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Charts:
    """Every scan of a window."""

    utc_ns: Ints
    """[n]."""
    lines: tuple[Line, ...]
    limits: tuple[Limit, ...] = ()
    units: str = "us"
    """The crew's, by the newest rig file in the window: a key of ``units.CREW_UNITS``."""

    def unit(self, line: Line, system: str | None = None) -> str:
        """The unit of a line in some units (None: the crew's)."""
        return CREW_UNITS[system or self.units].get(line.dimension, line.dimension.value)

    def stretches(self, from_utc_ns: int, to_utc_ns: int, count: int, system: str | None = None) -> "Stretches":
        """The least and most of each of ``count`` equal stretches; a stretch that no scan fell into is left out.

        Args:
            from_utc_ns: begin of the zoom.
            to_utc_ns: its end, itself not included; after its begin.
            count: stretches, at least 1.
            system: units of what comes back, a key of ``units.CREW_UNITS``; None for the crew's.
        """
        inside = np.flatnonzero((self.utc_ns >= from_utc_ns) & (self.utc_ns < to_utc_ns))
        order = inside[np.argsort(self.utc_ns[inside], kind="stable")]  # wall time may step back
        at = (self.utc_ns[order] - from_utc_ns) // max(1, -((from_utc_ns - to_utc_ns) // count))
        begins = np.flatnonzero(np.diff(at, prepend=-1))
        if not len(begins):
            return Stretches(utc_ns=self.utc_ns[:0], least={}, most={})
        least: dict[tuple[str, str], Floats] = {}
        most: dict[tuple[str, str], Floats] = {}
        for line in self.lines:
            low, high = (values[order] for values in line.sides())
            in_units = system or self.units
            for side, values, of in ((least, low, np.fmin), (most, high, np.fmax)):
                si = of.reduceat(values, begins).astype(np.float64)
                side[line.brake, line.quantity] = shown(si, line.dimension, in_units)[0]
        return Stretches(utc_ns=self.utc_ns[order][begins], least=least, most=most)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """[m] each, in the units asked for; NaN where nothing good fell into a stretch."""

    utc_ns: Ints
    """Of the first scan in each."""
    least: dict[tuple[str, str], Floats]
    most: dict[tuple[str, str], Floats]


class Charted:
    """Gathers the scans of a window, block by block, in whatever order they come."""

    def __init__(self, from_utc_ns: int, to_utc_ns: int) -> None:
        """Of wall time; the end itself is not included."""
        self._from_ns, self._to_ns = from_utc_ns, to_utc_ns
        self._parts: list[tuple[Ints, dict[_Key, Singles]]] = []
        self._units = "us"
        self._alarms: tuple[AlarmNow, ...] = ()
        self._steps: dict[tuple[str, str], list[tuple[int, float | None]]] = {}

    def feed(self, block: Block, rig: Rig, outcome: Outcome, alarms: tuple[AlarmNow, ...] = ()) -> None:
        """One more block, with what the engine made of it, and the alarms as they stand after it.

        A command ends a block, so a setpoint is the same throughout.
        """
        keep = (block.utc_ns >= self._from_ns) & (block.utc_ns < self._to_ns)
        if keep.any():
            columns = {key: values[keep].astype(np.float32) for key, values in _columns(rig, outcome)}
            self._parts.append((block.utc_ns[keep], columns))
            self._units = rig.units
            if alarms is not self._alarms:  # of another moment: the common case is the very same
                self._alarms = alarms
                self._step(int(block.utc_ns[keep][0]), dict(_setpoints(alarms)))

    def _step(self, utc_ns: int, now: Mapping[tuple[str, str], float]) -> None:
        for key in {*self._steps, *now}:
            steps = self._steps.setdefault(key, [])
            if not steps or steps[-1][1] != now.get(key):
                steps.append((utc_ns, now.get(key)))

    def forget(self, before_utc_ns: int) -> None:
        """Let go of blocks that ended before; what is left begins no earlier than it did."""
        self._parts = [part for part in self._parts if int(part[0][-1]) >= before_utc_ns]

    def charts(self) -> Charts:
        """All of it.

        Raises:
            NothingThereError: no scan lies in the window.
        """
        if not self._parts:
            raise NothingThereError("no scan lies in this window")
        keys = dict.fromkeys(key for _, columns in self._parts for key in columns)
        lines = tuple(self._line(key) for key in keys if key[1] not in BANDS.values())
        limits = tuple(Limit(brake=of, alarm=kind, steps=tuple(steps)) for (of, kind), steps in self._steps.items())
        times = np.concatenate([times for times, _ in self._parts])
        return Charts(utc_ns=times, lines=lines, limits=limits, units=self._units)

    def _line(self, key: _Key) -> Line:
        brake, quantity, dimension = key
        band = None
        if quantity in BANDS:
            std = brake, BANDS[quantity], dimension_of_derived(BANDS[quantity])
            band = np.float32(COVERAGE) * self._whole(std)
        return Line(brake=brake, quantity=quantity, dimension=dimension, values=self._whole(key), band=band)

    def _whole(self, key: _Key) -> Singles:
        return np.concatenate([_of(part, key) for part in self._parts])


def _setpoints(alarms: Iterable[AlarmNow]) -> Iterator[tuple[tuple[str, str], float]]:
    """Brake and kind of every alarm on what is charted, and its setpoint."""
    for one in alarms:
        kind = CATALOGUE.get(one.alarm)
        if kind is not None and one.brake and one.setpoint is not None and kind.quantity in (*ROLES, *DERIVED):
            yield (one.brake, one.alarm), one.setpoint


def _of(part: tuple[Ints, dict[_Key, Singles]], key: _Key) -> Singles:
    times, columns = part
    found = columns.get(key)
    return np.full(len(times), np.nan, np.float32) if found is None else found


def within(record: Record, engine: Engine, tally: Tally, window: tuple[int, int]) -> Iterator[tuple[Input, Outcome]]:
    """Replay the runs that touch a window, from their Start and so exactly, up to its end.

    Args:
        record: what to read.
        engine: what runs.
        tally: counts.
        window: begin and end by wall time, ns.
    """
    runs = [span.run for span in record.spans(*window)]
    for item, outcome in replayed(record, engine, tally, min(runs), max(runs)) if runs else ():
        if isinstance(item, Block) and int(item.utc_ns.min()) > window[1] + _STEPPED_NS:
            return
        yield item, outcome


_STEPPED_NS: Final = 3_600_000_000_000
"""So far wall time may step back and its scans still be found."""


def charts(record: Record, from_utc_ns: int, to_utc_ns: int) -> Charts:
    """Replay a window. Takes memory for every scan in it: four bytes a value.

    Args:
        record: what to read; runs are replayed from their Start, so that derived values are exact.
        from_utc_ns: begin by wall time.
        to_utc_ns: end, itself not included.

    Raises:
        NothingThereError: no scan lies in the window.
    """
    engine, made = Engine(), Charted(from_utc_ns, to_utc_ns)
    for item, outcome in within(record, engine, Tally(), (from_utc_ns, to_utc_ns)):
        if isinstance(item, Block):
            made.feed(item, engine.rig, outcome, engine.alarms())
    return made.charts()


def _columns(rig: Rig, outcome: Outcome) -> Iterator[tuple[_Key, Floats]]:
    for brake in rig.brakes:
        for role in ROLES:
            point = rig.role(role, brake.name)
            if point is not None:
                yield (brake.name, role, dimension_of_point(point)), _good(outcome.readings[point.name])
        for name in (*DERIVED, *BANDS.values()):
            column = outcome.derived.get((brake.name, name))
            if column is not None:
                yield (brake.name, name, dimension_of_derived(name)), _good(column)


def _good(column: Column) -> Floats:
    return np.where(is_bad(column.codes), np.nan, column.values)
