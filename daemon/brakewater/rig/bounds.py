"""What physics, and how a rig is read, leave to a setpoint and an on-delay: each bound that one breaks, by name.

``check`` words it in English; what-if has words of each language for the names (``engine.refusals``, ``if-...``).
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from brakewater.alarms.catalogue import Shape
from brakewater.rig.model import AlarmRule, Point, Rig
from brakewater.rig.tables import Brake
from brakewater.signals.convert import CurrentLoop, Linear
from brakewater.units import Dimension, shown

QUICKER: Final = "a smaller every, less damping or another line"
_BOILING_DEGC: Final = 99.6
"""Water at 1 bar boils at 99.606 degC (IAPWS-IF97); rounded down."""
_QUARTER: Final = "at most {limit}: a quarter of the time to the limit at the worst credible rate"
ALLOWED: Final = {
    "bearing": "below the bearing level of {limit}",
    "boiling": "below the boiling point of {limit}",
    "zero": "above zero, or the alarm could never come",
    "late": _QUARTER,
    "slow": f"both together {_QUARTER}",
    "hopeless": f"both together {_QUARTER}; no on-delay is short enough: {QUICKER}",
    "lost": "at most {limit}: half a scan, so that the second scan is the alarm",
    "beyond": "{low} to {high}, which its transmitter can show",
}
"""Name of a bound -> what it allows; ``{limit}``, ``{low}`` and ``{high}`` with their units."""
_LATE: Final = ", on values up to {late} late by cadence and damping"
_TOGETHER: Final = ("slow", "hopeless")
"""Bounds on a delay and that lateness together."""


def bound_text(why: str) -> str:
    """``found {found}; allowed: ...`` of a bound, with places for what is in a ``Broken``."""
    return f"found {{found}}{_LATE if why in _TOGETHER else ''}; allowed: {ALLOWED[why]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Broken:
    """One bound that a setting breaks."""

    key: Literal["setpoint", "on-delay"]
    why: str
    """Name of the bound."""
    value: str
    """What was set, with its unit."""
    places: tuple[tuple[str, str], ...] = ()
    """What fills the places of its words: ``limit``, ``late``, ``low``, ``high``."""

    @property
    def found(self) -> str:
        """In English."""
        return self.value + (_LATE.format(**dict(self.places)) if self.why in _TOGETHER else "")

    @property
    def allowed(self) -> str:
        """In English."""
        return ALLOWED[self.why].format(**dict(self.places))


_MADE_OF: Final[Mapping[str, str]] = {"level_rate_m_s": "brake-level", "level_rise_m": "brake-level"}
"""Derived quantity -> the role it is made of; those of several temperatures move slowly beside any cadence."""
_TIME_TO_LIMIT_S: Final[dict[str, Callable[[float, Brake], float]]] = {
    "brake-level-high": lambda setpoint, brake: (brake.bearing_level - setpoint) / brake.worst_level_rate,
    "brake-level-rising": lambda _, brake: 0.5 * brake.bearing_level / brake.worst_level_rate,
    "outlet-temperature-high": lambda setpoint, brake: (_BOILING_DEGC - setpoint) / brake.worst_outlet_rate,
    "inlet-temperature-high": lambda setpoint, brake: (brake.outlet_limit - setpoint) / brake.worst_inlet_rate,
    "cooling-flow-low": lambda _, brake: brake.dry_time * 1e-9,
    "supply-pressure-low": lambda _, brake: brake.dry_time * 1e-9,
    "cooling-margin-low": lambda _, brake: brake.dry_time * 1e-9,
    "return-restricted": lambda _, brake: 0.5 * brake.bearing_level / brake.worst_level_rate,
    "rotor-hot-no-flow": lambda _, brake: brake.dry_time * 1e-9,
    "outlet-rise-high": lambda _, brake: (_BOILING_DEGC - brake.outlet_limit) / brake.worst_outlet_rate,
}


def lateness(points: Sequence[Point], brake: str, scan_ns: int) -> dict[str, int]:
    """Role -> how far behind the scan the slowest of a brake's points may be, ns.

    A damped value has moved wholly only after its whole window, so the window counts.
    """
    found: dict[str, int] = {}
    for point in points:
        if point.brake == brake:
            damping = point.conditioning.damping
            scans = point.every - 1 + (damping.scans - 1 if damping is not None else 0)
            found[point.role] = max(found.get(point.role, 0), scans * scan_ns)
    return found


def late_ns(late: Mapping[str, int], quantity: str) -> int:
    """How far behind the scan a quantity may be, by cadence and damping of what it is made of; ``late`` by role."""
    return late.get(_MADE_OF.get(quantity, quantity), 0)


def time_to_limit_s(rule: AlarmRule, brake: Brake) -> float:
    """From the setpoint to harm at the worst credible rate, in seconds; infinite where no limit is set by physics."""
    law = _TIME_TO_LIMIT_S.get(rule.kind.name)
    return law(rule.setpoint or 0.0, brake) if law else float("inf")


def broken_of(rig: Rig, rule: AlarmRule) -> tuple[Broken, ...]:
    """What a rule of a whole rig breaks, where its settings were changed after the file was checked."""
    brake = next((one for one in rig.brakes if one.name == rule.brake), None)
    if brake is None:
        return ()
    return broken(rule, brake, rig.scan_ns, lateness(rig.points, brake.name, rig.scan_ns), rig.units)


def broken(rule: AlarmRule, brake: Brake, scan_ns: int, late: Mapping[str, int], system: str) -> tuple[Broken, ...]:
    """The bound that a setpoint breaks, or else an on-delay with what a slow line adds to it.

    Args:
        rule: with its settings.
        brake: whose alarm it is.
        scan_ns: how often it is looked at.
        late: role -> how far behind the scan its reading may be, ns.
        system: as the crew reads, "us" or "metric".
    """
    return tuple(_of_setpoint(rule, brake, system)) or tuple(_of_delay(rule, brake, scan_ns, late))


def _of_setpoint(rule: AlarmRule, brake: Brake, system: str) -> Iterator[Broken]:
    """One at which it would be too late, or which can never be met."""
    setpoint, kind = rule.setpoint, rule.kind
    if setpoint is None:
        return
    value = _text(setpoint, kind.dimension, system)
    if kind.shape in (Shape.LOW, Shape.LOST) and setpoint <= 0:
        yield Broken(key="setpoint", why="zero", value=value)
    elif kind.name == "outlet-temperature-high" and setpoint >= _BOILING_DEGC:
        limit = _text(_BOILING_DEGC, Dimension.TEMPERATURE, system)
        yield Broken(key="setpoint", why="boiling", value=value, places=(("limit", limit),))
    elif kind.name == "brake-level-high" and setpoint >= brake.bearing_level:
        limit = _text(brake.bearing_level, Dimension.LENGTH, system)
        yield Broken(key="setpoint", why="bearing", value=value, places=(("limit", limit),))


def _of_delay(rule: AlarmRule, brake: Brake, scan_ns: int, late: Mapping[str, int]) -> Iterator[Broken]:
    value = f"{rule.on_ns * 1e-9:g} s"
    if rule.kind.shape is Shape.LOST:
        if rule.on_ns * 1e-9 > scan_ns / 2e9 + 1e-9:
            yield Broken(key="on-delay", why="lost", value=value, places=(("limit", f"{scan_ns / 2e9:.3g} s"),))
        return
    late_s, most_s = late_ns(late, rule.kind.quantity) * 1e-9, time_to_limit_s(rule, brake) / 4
    if rule.on_ns * 1e-9 + late_s > most_s + 1e-9:
        limit = ("limit", f"{max(most_s, 0.0):.3g} s")
        why = "hopeless" if late_s > most_s + 1e-9 else "slow" if late_s else "late"
        places = (limit, ("late", f"{late_s:g} s")) if late_s else (limit,)
        yield Broken(key="on-delay", why=why, value=value, places=places)


def unshowable(rule: AlarmRule, points: Sequence[Point], system: str) -> Broken | None:
    """Where a setpoint lies beyond what its transmitter can show."""
    mine = [_span(point) for point in points if (point.brake, point.role) == (rule.brake, rule.kind.quantity)]
    span = next((one for one in mine if one is not None), None)
    if span is None or rule.setpoint is None or span[0] <= rule.setpoint <= span[1]:
        return None
    low = f"{shown(span[0], rule.kind.dimension, system)[0]:.4g}"
    high, value = (_text(one, rule.kind.dimension, system) for one in (span[1], rule.setpoint))
    return Broken(key="setpoint", why="beyond", value=value, places=(("low", low), ("high", high)))


def _span(point: Point) -> tuple[float, float] | None:
    """What a signal with a range can show, in SI; None without a range."""
    match point.signal:
        case Linear(low=low, high=high) | CurrentLoop(low=low, high=high):
            return min(low, high), max(low, high)
        case _:
            return None


def _text(value: float, dimension: Dimension, system: str) -> str:
    number, unit = shown(value, dimension, system)
    return f"{number:.4g}" if dimension is Dimension.NUMBER else f"{number:.4g} {unit}"
