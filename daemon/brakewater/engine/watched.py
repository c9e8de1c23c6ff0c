"""What each alarm of a rig looks at, put side by side: a row an alarm, a column a scan."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import chain
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.alarms.catalogue import Scope, Shape
from brakewater.alarms.condition import BEYOND, CLEAR, WITHIN, Regions
from brakewater.engine.glance import Glance, Judged, Points
from brakewater.engine.judged import FIGURES, OF_RIG, Met, is_judged, of_brake
from brakewater.engine.regions import FROM_BAD, Scale
from brakewater.quality import Reason, is_bad, is_good
from brakewater.rig import AlarmRule, Rig
from brakewater.rig.roles import ROLES
from brakewater.stream import Codes, Column, Floats

Mask = NDArray[np.bool_]
Rows = NDArray[np.intp]

_SILENT: Final = np.uint8(Reason.NO_ANSWER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sights:
    """Everything there is to look at in a block of n scans."""

    readings: Mapping[str, Column]
    """By point."""
    seen: Mapping[str, Mapping[str, Column]]
    """By brake, then by role or derived quantity."""
    gates: Mapping[str, Mask]
    """By brake: whether it is watched."""
    silent: Mapping[str, Mask]
    """By device: whether none of its points got an answer."""
    stuck: Mapping[str, Mask]
    """By device with a heartbeat: whether that stands still."""


def point_of(rig: Rig, rule: AlarmRule) -> str:
    """The point behind a rig-wide alarm: of a role, the daemon's own, or one of several of those by its subject."""
    quantity = rule.kind.quantity
    point = rig.role(quantity) if quantity in ROLES else None
    return point.name if point is not None else f"{quantity}.{rule.subject}" if rule.subject else quantity


class Watched:
    """Finds the region of each scan for each alarm, and the column behind it."""

    def __init__(self, rig: Rig, rules: Sequence[AlarmRule]) -> None:
        def rows(scope: Scope) -> list[tuple[int, AlarmRule]]:
            return [(row, rule) for row, rule in enumerate(rules) if rule.kind.scope is scope]

        self._count = len(rules)
        self._scale = Scale(rules)
        self._rig = rig
        self._of_brake = of_brake(rig)
        plain = [(row, rule) for row, rule in rows(Scope.BRAKE) if not is_judged(rule)]
        self._brakes = [(row, rule.brake or "", rule.kind.quantity) for row, rule in plain]
        brakes = {brake.name: brake for brake in rig.brakes}
        judged = [(row, rule) for row, rule in rows(Scope.BRAKE) if is_judged(rule)]
        self._judged = [(row, rule, brakes[rule.brake or ""]) for row, rule in judged]
        self._judged_of_rig = [(row, rule.kind.name) for row, rule in rows(Scope.RIG) if is_judged(rule)]
        self._points_of = {row: point_of(rig, rule) for row, rule in rows(Scope.RIG) if rule.kind.quantity}
        self._links = [(row, name) for row, name in self._points_of.items() if not is_judged(rules[row])]
        self._of_any = np.array([row for row, rule in rows(Scope.RIG) if rule.kind.gated], np.intp)
        self._standing = [row for row, rule in enumerate(rules) if rule.kind.shape is Shape.STANDING]
        self._subjects = {row: rule.subject or "" for row, rule in rows(Scope.POINT)}
        self._names = list(dict.fromkeys(self._subjects.values()))
        self._bad = self._side_by_side(rules, Shape.BAD)
        self._doubtful = self._side_by_side(rules, Shape.DOUBTFUL)
        device = {point.name: point.device for point in rig.points}
        self._of_device = {
            name: [row for row, subject in self._subjects.items() if device[subject] == name and row in self._bad[0]]
            for name in rig.device_names
        }
        self._devices = [(row, rule.subject or "", rule.kind.shape) for row, rule in rows(Scope.DEVICE)]
        ahead = [(row, rule.brake or "") for row, rule in plain if rule.kind.name == "inlet-limit-ahead"]
        self._ahead = [(row, of, brakes[of].inlet_limit) for row, of in ahead if rig.practice.ahead_only]
        """What would announce a limit, and where that is passed."""
        gated = [(row, rule.brake) for row, rule in rows(Scope.BRAKE) if rule.kind.gated]
        self._gated = {
            brake.name: np.array([row for row, of in gated if of == brake.name], np.intp) for brake in rig.brakes
        }
        self._prepare_lone()

    def _prepare_lone(self) -> None:
        self._glance = Glance(self._scale, self._count)
        self._judgements = [
            (row, Judged(partial(self._of_brake[rule.kind.name], rule, of)), of.name) for row, rule, of in self._judged
        ]
        self._judgements_of_rig = [(row, Judged(partial(OF_RIG[kind], self._rig))) for row, kind in self._judged_of_rig]
        device = {point.name: point.device for point in self._rig.points}
        rows = tuple(dict(zip(of.tolist(), rows.tolist(), strict=True)) for rows, of in (self._bad, self._doubtful))
        self._points_at_once = Points(self._names, device, rows)
        for row in self._standing:
            self._glance.put(row, 1.0, 0)

    def _side_by_side(self, rules: Sequence[AlarmRule], shape: Shape) -> tuple[Rows, Rows]:
        """Rows of the alarms of one shape, and which of the named points each looks at."""
        found = [row for row in self._subjects if rules[row].kind.shape is shape]
        return np.array(found, np.intp), np.array([self._names.index(self._subjects[row]) for row in found], np.intp)

    def look(self, sights: Sights, n: int) -> Regions:
        """[alarms, n] regions."""
        if n == 1:
            return self._lone(sights)
        columns = [(row, sights.seen[brake][quantity]) for row, brake, quantity in self._brakes]
        columns += [(row, sights.readings[point]) for row, point in self._links]
        # Most alarms are clear all through a block, and their extremes tell it.
        columns = [(row, column) for row, column in columns if not self._scale.is_clear(row, column)]
        values, codes = _laid_out(columns, self._count, n)
        astir = {row for row, _ in columns}.union(self._standing)
        for row, (met, worst) in self._met(sights):
            if met.any() or worst.max() >= FROM_BAD:
                values[row], codes[row] = met, worst
                astir.add(row)
        values[self._standing] = 1.0
        if self._points(sights, values, codes):
            astir.update(self._subjects)
        for row, device, shape in self._devices:
            mask = sights.silent[device] if shape is Shape.SILENT else sights.stuck[device]
            if np.count_nonzero(mask):
                values[row] = mask
                astir.add(row)
        return self._gate(self._not_passed(self._regions(values, codes, sorted(astir)), sights), sights)

    def _not_passed(self, regions: Regions, sights: Sights) -> Regions:
        """A limit that is passed is not announced; who was told before goes on to be."""
        for row, brake, limit in self._ahead:
            if np.count_nonzero(regions[row] == BEYOND):
                inlet = sights.seen[brake]["inlet-temperature"]
                regions[row][(regions[row] == BEYOND) & is_good(inlet.codes) & (inlet.values >= limit)] = WITHIN
        return regions

    def _met(self, sights: Sights) -> Iterator[tuple[int, Met]]:
        """Rows that several signals together decide."""
        for row, rule, of in self._judged:
            yield row, self._of_brake[rule.kind.name](rule, of, sights.seen[of.name])
        for row, kind in self._judged_of_rig:
            yield row, OF_RIG[kind](self._rig, sights.readings)

    def _regions(self, values: Floats, codes: Codes, astir: list[int]) -> Regions:
        """[alarms, n]; all but those astir are clear."""
        if len(astir) == self._count:
            return self._scale.regions(values, codes)
        regions = np.zeros(values.shape, np.uint8)  # CLEAR is 0
        regions[astir] = self._scale.regions(values[astir], codes[astir], astir)
        return regions

    def _lone(self, sights: Sights) -> Regions:
        """[alarms, 1] regions of a scan that comes alone: the same, only quicker."""
        glance = self._glance
        for row, brake, quantity in self._brakes:
            glance.see(row, sights.seen[brake][quantity])
        for row, point in self._links:
            glance.see(row, sights.readings[point])
        for row, judged, of in self._judgements:
            glance.judge(row, judged, sights.seen[of])
        for row, judged in self._judgements_of_rig:
            glance.judge(row, judged, sights.readings)
        for row, device, shape in self._devices:
            mask = sights.silent[device] if shape is Shape.SILENT else sights.stuck[device]
            glance.put(row, float(mask.item()), 0)
        blind = {device for masks in (sights.silent, sights.stuck) for device, mask in masks.items() if mask.item()}
        self._points_at_once.look(glance, sights.readings, blind)
        regions = bytearray(glance.regions)
        for row, brake, limit in self._ahead:  # the same for a lone scan, only quicker
            if regions[row] == BEYOND:
                inlet = sights.seen[brake]["inlet-temperature"]
                if inlet.codes.item() == 0 and inlet.values.item() >= limit:
                    regions[row] = WITHIN
        return self._lone_gate(regions, sights)

    def _lone_gate(self, regions: bytearray, sights: Sights) -> Regions:
        shut = [brake for brake, gate in sights.gates.items() if not gate.item()]
        rows = [self._gated[brake] for brake in shut]
        if len(shut) == len(sights.gates):
            rows.append(self._of_any)
        for row in chain.from_iterable(of.tolist() for of in rows):
            regions[row] = CLEAR
        return np.frombuffer(regions, np.uint8).reshape(-1, 1)

    def _gate(self, regions: Regions, sights: Sights) -> Regions:
        if all(np.count_nonzero(gate) == len(gate) for gate in sights.gates.values()):
            return regions
        for brake, rows in self._gated.items():
            regions[rows] *= sights.gates[brake]  # CLEAR is 0
        if len(self._of_any):
            regions[self._of_any] *= np.logical_or.reduce(list(sights.gates.values()))
        return regions

    def _points(self, sights: Sights, values: Floats, codes: Codes) -> bool:
        """A silent or stuck device has an alarm of its own, so nothing is known of its points then.

        False where all of them are good throughout, and nothing was laid out.
        """
        columns = [sights.readings[name].codes for name in self._names]
        if not any(column.any() for column in columns):
            return False
        found = np.array(columns)
        bad = is_bad(found)
        (bad_rows, of_bad), (doubtful_rows, of_doubtful) = self._bad, self._doubtful
        values[bad_rows] = bad[of_bad]
        values[doubtful_rows] = ((found > 0) & ~bad)[of_doubtful]
        for blind in (sights.silent, sights.stuck):
            for device, mask in blind.items():
                if np.count_nonzero(mask):
                    codes[self._of_device[device]] |= mask * _SILENT
        return True

    def column(self, row: int, rule: AlarmRule, sights: Sights) -> Column | None:
        """What one alarm looks at; None for a device's."""
        match rule.kind.scope:
            case Scope.BRAKE:
                seen, figure = sights.seen[rule.brake or ""], FIGURES.get(rule.kind.name)
                return seen[rule.kind.quantity] if figure is None else figure(seen)
            case Scope.RIG:
                if rule.kind.shape is Shape.STANDING:
                    return None
                return sights.readings[self._points_of[row]]
            case Scope.POINT:
                return sights.readings[self._subjects[row]]
            case Scope.DEVICE:
                return None


def _laid_out(columns: Sequence[tuple[int, Column]], rows: int, n: int) -> tuple[Floats, Codes]:
    """Columns as rows of a matrix [rows, n] of values and one of codes; where there is no column codes are 0."""
    values, codes = np.empty((rows, n)), np.zeros((rows, n), np.uint8)
    for row, column in columns:
        values[row], codes[row] = column.values, column.codes
    return values, codes
