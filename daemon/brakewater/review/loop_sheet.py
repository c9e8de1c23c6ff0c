"""The sheet of a loop check: what was injected, what was read, and whether the loop passes. Pure records and figures.

Errors are counted in the point's SI unit and as a share of its span. A step passes where its mean error is within the
tolerance, it had settled, and no reading was bad. The check passes where every as-left step does; where nothing was
adjusted, as found is as left. Hysteresis is the largest difference between the means going up and going down at one
injected value.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Any, Final, Literal

from brakewater.quality import Quality, quality, reason_name

Part = Literal["as-found", "as-left"]
Way = Literal["up", "down"]

COVERS: Final = 0.5
"""Share of its range over which a point must have been checked to count as proved: one value cannot tell a wrong zero
from a wrong span; common practice is five from 0 to 100 %, no published source for the least."""
_EDGE: Final = 1e-9
"""An error that is meant to stand exactly on the tolerance comes out of binary arithmetic a little beside it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One injected value and the readings at it."""

    part: Part
    way: Way
    said: str
    """As the tech said it: ``84 degF`` or ``12 mA``."""
    injected: float
    """SI."""
    readings: tuple[float, ...]
    """SI; of the scans that were not bad."""
    worst: int
    """Largest reason code of all scans."""

    @property
    def mean(self) -> float | None:
        """SI; None where every reading was bad."""
        return fmean(self.readings) if self.readings else None

    @property
    def error(self) -> float | None:
        """Mean less injected, SI."""
        return None if self.mean is None else self.mean - self.injected

    @property
    def scatter(self) -> float:
        """Largest less smallest reading, SI."""
        return max(self.readings) - min(self.readings) if self.readings else 0.0

    @property
    def moved(self) -> float:
        """Mean of the later half of the readings less that of the earlier one, SI: noise drops out, a drift stays."""
        half = len(self.readings) // 2
        return fmean(self.readings[-half:]) - fmean(self.readings[:half]) if half else 0.0


def settled(step: Step, tolerance: float) -> bool:
    """Whether it stood where it was read; the tolerance in SI, a difference."""
    return abs(step.moved) <= tolerance * (1.0 + _EDGE)


def passes(step: Step, tolerance: float, *, ask_settled: bool = True) -> bool:
    """Within the tolerance, settled where that is asked, and never bad."""
    within = step.error is not None and abs(step.error) <= tolerance * (1.0 + _EDGE)
    return within and (settled(step, tolerance) or not ask_settled) and quality(step.worst) is not Quality.BAD


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One loop check."""

    point: str
    rig: str
    definition: str
    """Hash of the point as it was defined: see proofs.py."""
    place: str
    """Where it is read, for people."""
    signal: str
    """What its number stands for, for people."""
    unit: str
    """In which it is shown."""
    factor: float
    """shown = (SI - offset) / factor"""
    offset: float
    low: float
    """SI at 0 %."""
    high: float
    """SI at 100 %."""
    tolerance: float
    """SI, a difference."""
    by: str
    instrument: str
    began: str
    """UTC."""
    scans: int
    adjusted: bool
    """Something was adjusted between as found and as left."""
    steps: tuple[Step, ...]
    line: str = ""
    """Where the device was reached: another address may be another device. Nothing in sheets of before."""
    serial: str = ""
    """Of the sensor, where the rig file named one."""
    asks_settled: bool = False
    """A step passes only where it had settled; sheets of before did not ask."""
    reached: float = 0.0
    """Of a signal that names no range: over how much its sensor is brought on a rig, SI, a difference; 0 where nothing
    says it, and in sheets of before. The check's own range may be less."""

    def of(self, part: Part) -> tuple[Step, ...]:
        """The steps of a part; as found stands for as left where nothing was adjusted."""
        wanted = part if self.adjusted else "as-found"
        return tuple(step for step in self.steps if step.part == wanted)

    def share(self, si: float) -> float:
        """A difference as a share of the span."""
        return si / abs(self.high - self.low)

    def shown(self, si: float) -> float:
        """A value in the shown unit."""
        return (si - self.offset) / self.factor

    def shown_difference(self, si: float) -> float:
        """A difference in the shown unit."""
        return si / self.factor

    def step_passes(self, step: Step) -> bool:
        """Within the tolerance, and never bad."""
        return passes(step, self.tolerance, ask_settled=self.asks_settled)

    def passes(self, part: Part) -> bool:
        """Every step of a part does; one without steps does not."""
        steps = self.of(part)
        return bool(steps) and all(self.step_passes(step) for step in steps)

    @property
    def passed(self) -> bool:
        """As left."""
        return self.passes("as-left")

    def covered(self, part: Part) -> float:
        """Share of the range, or of what is reached where that is more, from the least to the most that was injected.

        A zero and a span take two values.
        """
        injected = [step.injected for step in self.of(part)]
        return (max(injected) - min(injected)) / max(abs(self.high - self.low), self.reached) if injected else 0.0

    @property
    def proves(self) -> bool:
        """It passed, over enough of the range to say so of the point."""
        return self.passed and self.covered("as-left") >= COVERS * (1.0 - _EDGE)

    def worst(self, part: Part) -> float | None:
        """Largest error of a part, SI, with its sign."""
        errors = [step.error for step in self.of(part) if step.error is not None]
        return max(errors, key=abs, default=None)

    def hysteresis(self, part: Part) -> float | None:
        """Largest difference between up and down at one value, SI; None where nothing was met both ways."""
        means = {(step.way, step.injected): step.mean for step in self.of(part)}
        apart = [
            abs(mean - back)
            for (way, injected), mean in means.items()
            if way == "up" and mean is not None and (back := means.get(("down", injected))) is not None
        ]
        return max(apart, default=None)


def ways(injected: Sequence[float]) -> list[Way]:
    """Of each value whether it was met going up or down; the first and one that repeats go on as before."""
    found: list[Way] = []
    for at, value in enumerate(injected):
        before = injected[at - 1] if at else value
        same: Way = found[-1] if found else "up"
        found.append(same if value == before else "up" if value > before else "down")
    return found


def document(sheet: Sheet) -> dict[str, Any]:
    """The sheet as the record and ``--json`` have it: SI, with the outcome beside it."""
    return {
        "point": sheet.point,
        "rig": sheet.rig,
        "definition": sheet.definition,
        "place": sheet.place,
        "line": sheet.line,
        "serial": sheet.serial,
        "asks_settled": sheet.asks_settled,
        "reached": sheet.reached,
        "signal": sheet.signal,
        "unit": sheet.unit,
        "factor": sheet.factor,
        "offset": sheet.offset,
        "low": sheet.low,
        "high": sheet.high,
        "tolerance": sheet.tolerance,
        "by": sheet.by,
        "instrument": sheet.instrument,
        "began": sheet.began,
        "scans": sheet.scans,
        "adjusted": sheet.adjusted,
        "steps": [_step_document(sheet, step) for step in sheet.steps],
        "as_found_passed": sheet.passes("as-found"),
        "passed": sheet.passed,
        "covered": sheet.covered("as-left"),
        "proves": sheet.proves,
        "hysteresis": sheet.hysteresis("as-left"),
    }


def _step_document(sheet: Sheet, step: Step) -> dict[str, Any]:
    return {
        "part": step.part,
        "way": step.way,
        "said": step.said,
        "injected": step.injected,
        "readings": list(step.readings),
        "reason": reason_name(step.worst),
        "code": step.worst,
        "mean": step.mean,
        "error": step.error,
        "passed": sheet.step_passes(step),
    }


def sheet_of(held: Mapping[str, Any]) -> Sheet:
    """The sheet of a document; ``sheet_of(document(s)) == s``.

    Raises:
        KeyError, TypeError, ValueError: it is none.
    """
    names = ("point", "rig", "definition", "place", "signal", "unit", "by", "instrument", "began")
    numbers = ("factor", "offset", "low", "high", "tolerance")
    texts: dict[str, Any] = {name: str(held[name]) for name in names}
    figures: dict[str, Any] = {name: float(held[name]) for name in numbers}
    return Sheet(
        **texts,
        **figures,
        scans=int(held["scans"]),
        adjusted=bool(held["adjusted"]),
        steps=tuple(_step_of(one) for one in held["steps"]),
        line=str(held.get("line", "")),
        serial=str(held.get("serial", "")),
        asks_settled=bool(held.get("asks_settled", False)),
        reached=float(held.get("reached", 0.0)),
    )


def _step_of(held: Mapping[str, Any]) -> Step:
    return Step(
        part=held["part"],
        way=held["way"],
        said=str(held["said"]),
        injected=float(held["injected"]),
        readings=tuple(float(one) for one in held["readings"]),
        worst=int(held["code"]),
    )
