"""What each alarm of a rig looks at, put side by side: a row an alarm, a column a scan."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from brakewater.alarms.catalogue import Scope
from brakewater.alarms.condition import Regions
from brakewater.engine.regions import Scale
from brakewater.quality import Reason, is_bad
from brakewater.rig import AlarmRule, Rig
from brakewater.stream import Column

Mask = NDArray[np.bool_]

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


class Watched:
    """Finds the column of each alarm and the region of each scan."""

    def __init__(self, rig: Rig, rules: Sequence[AlarmRule]) -> None:
        def rows(scope: Scope) -> list[tuple[int, AlarmRule]]:
            return [(row, rule) for row, rule in enumerate(rules) if rule.kind.scope is scope]

        device = {point.name: point.device for point in rig.points}
        self._count = len(rules)
        self._scale = Scale(rules)
        self._brakes = [(row, rule.brake or "", rule.kind.quantity) for row, rule in rows(Scope.BRAKE)]
        self._links = [(row, rule.kind.quantity) for row, rule in rows(Scope.RIG)]
        self._points = [(row, rule.subject or "", device[rule.subject or ""]) for row, rule in rows(Scope.POINT)]
        self._devices = [(row, rule.subject or "") for row, rule in rows(Scope.DEVICE)]
        gated = [(row, rule.brake) for row, rule in rows(Scope.BRAKE) if rule.kind.gated]
        self._gated = {
            brake.name: np.array([row for row, of in gated if of == brake.name], np.intp) for brake in rig.brakes
        }

    def look(self, sights: Sights, n: int) -> tuple[list[Column | None], Regions]:
        """The column behind each alarm (None for a device's) and [alarms, n] regions."""
        columns: list[Column | None] = [None] * self._count
        values, codes = np.zeros((self._count, n)), np.zeros((self._count, n), np.uint8)
        for row, brake, quantity in self._brakes:
            columns[row] = column = sights.seen[brake][quantity]
            values[row], codes[row] = column.values, column.codes
        for row, point in self._links:
            columns[row] = column = sights.readings[point]
            values[row], codes[row] = column.values, column.codes
        for row, point, device in self._points:  # a silent device has an alarm of its own, so nothing is known here
            columns[row] = column = sights.readings[point]
            values[row], codes[row] = is_bad(column.codes), sights.silent[device] * _SILENT
        for row, device in self._devices:
            values[row] = sights.silent[device]
        regions = self._scale.regions(values, codes)
        for brake, rows in self._gated.items():
            regions[rows] *= sights.gates[brake]  # CLEAR is 0
        return columns, regions
