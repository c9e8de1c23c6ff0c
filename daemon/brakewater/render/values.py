"""Values for people: what a quantity measures, its number and unit as a crew can use them, limits, lines.

A limit that was set in another unit is never rounded to the unsafe side.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, floor, log10
from typing import Any, Final

from brakewater.alarms.catalogue import Shape
from brakewater.physics.uncertainty import COVERAGE
from brakewater.quality import Quality, quality, reason_name
from brakewater.rig import SELF, Point, Rig
from brakewater.rig.roles import ROLES
from brakewater.stream import Picture
from brakewater.units import Dimension, shown
from brakewater.wording import ENGLISH, Wording

Document = dict[str, Any]
"""As it becomes JSON."""

DECIMALS: Final[dict[str, int]] = {
    "gal/min": 1,
    "L/min": 1,
    "degF": 1,
    "degC": 1,
    "K": 1,
    "in": 1,
    "mm": 0,
    "in/s": 2,
    "mm/s": 1,
    "bbl": 1,
    "m3": 2,
    "kW": 0,
    "MJ": 1,
    "klbf": 1,
    "kN": 0,
    "psi": 1,
    "bar": 2,
    "s": 1,
    "degF/s": 2,
    "K/s": 2,
    "rpm": 0,
    "1": 2,
}
"""Digits after the point that a crew can use, by unit of ``units.CREW_UNITS``; 2 for any other."""

_SUFFIXES: Final = (
    ("_m3_s", Dimension.FLOW),
    ("_m_s", Dimension.SPEED),
    ("_degc", Dimension.TEMPERATURE),
    ("_w", Dimension.POWER),
    ("_k", Dimension.DIFFERENCE),
    ("_j", Dimension.ENERGY),
    ("_s", Dimension.TIME),
    ("_m", Dimension.LENGTH),
)
_DAY_S: Final = 86_400.0
"""Forecasts look no further, and nobody needs a longer time to the second."""
_YES_OR_NO: Final = ("cooling_ready",)
_OWN_CONTACTS: Final = ("self.broker", "self.lamp-writes", "self.panel", "self.mains")
_OWN_NUMBERS: Final = ("self.queued", "self.disk-used", "self.restarts", *_OWN_CONTACTS)

_SAME: Final = 1e-9
"""Relative: what the conversion to SI and back may leave."""
_LIMIT_DIGITS: Final = 3
_SHARE_PLACES: Final = 4
"""Of a pure number: a hundredth of a percent."""
_ROUND: Final[dict[Shape | None, Callable[[float], int]]] = {Shape.HIGH: floor, Shape.LOW: ceil, Shape.LOST: ceil}
CONVERTED: Final = "~"
"""Before a limit that was set in another unit than it is shown in."""


def dimension_of_point(point: Point) -> Dimension:
    """What a point measures; the daemon's own are times but for counts, shares and link states."""
    if point.device == SELF:
        return Dimension.NUMBER if point.role in _OWN_NUMBERS else Dimension.TIME
    return ROLES[point.role].dimension


def plain_name(name: str) -> str:
    """A derived quantity's name without its SI unit, for columns in other units: ``outlet_rise``."""
    return next((name.removesuffix(suffix) for suffix, _ in _SUFFIXES if name.endswith(suffix)), name)


def spoken(name: str) -> str:
    """A derived quantity's name for people: ``time to bearing, not before``, ``heat, standard uncertainty``."""
    bound = ", not before" if "_early" in name else ", standard uncertainty" if "_std" in name else ""
    return plain_name(name).replace("_early", "").replace("_std", "").replace("_", " ") + bound


def dimension_of_derived(name: str) -> Dimension:
    """What a derived quantity measures: its name ends in its SI unit, or in none."""
    return next((dimension for suffix, dimension in _SUFFIXES if name.endswith(suffix)), Dimension.NUMBER)


def std_name(name: str) -> str:
    """The quantity that is the standard uncertainty of another: ``heat_std_w`` of ``heat_w``.

    That of a temperature is a difference: ``rotor_temperature_std_k``.
    """
    plain = plain_name(name)
    suffix = name.removeprefix(plain)
    return f"{plain}_std{'_k' if suffix == '_degc' else suffix}"


def is_contact(point: Point) -> bool:
    """True for a point that is on or off."""
    return point.role in _OWN_CONTACTS or (point.device != SELF and ROLES[point.role].bit)


def rounded(value: float, dimension: Dimension, system: str) -> tuple[float, str]:
    """An SI value in the crew's unit, rounded to what a crew can use, and the unit's name.

    Args:
        value: SI; temperatures in degC.
        dimension: what it measures.
        system: ``rig.units``.
    """
    number, unit = shown(value, dimension, system)
    return round(number, DECIMALS.get(unit, 2)) + 0.0, unit  # + 0.0 turns -0.0 into 0.0


def with_unit(value: float, dimension: Dimension, system: str) -> str:
    """A measured value for people: ``61.2 gal/min``; a pure number stands alone."""
    number, unit = rounded(value, dimension, system)
    text = f"{number:.{DECIMALS.get(unit, 2)}f}"
    return text if dimension is Dimension.NUMBER else f"{text} {unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit as people read it."""

    value: float
    unit: str
    places: int
    """Digits after the point that it has."""
    converted: bool
    """It was set in another unit: what is shown is rounded, and lies on the safe side of what is in force."""


@lru_cache(maxsize=1024)
def limit_shown(value: float, dimension: Dimension, system: str, shape: Shape | None = None) -> Limit:
    """A limit in the crew's unit: as it was set where it was set in that unit, else with three digits.

    A converted one is never rounded to the unsafe side: down where too much is alarmed, up where too little is.

    Args:
        value: SI; temperatures in degC.
        dimension: what it limits.
        system: ``rig.units``.
        shape: of the alarm whose limit it is; None rounds to the nearest.
    """
    number, unit = shown(value, dimension, system)
    if dimension is Dimension.NUMBER:  # set as it is shown: nothing is converted
        return Limit(value=round(number, _SHARE_PLACES) + 0.0, unit=unit, places=_SHARE_PLACES, converted=False)
    most = DECIMALS.get(unit, 2) + 1
    plain = round(number, most)
    if abs(number - plain) <= _SAME * max(1.0, abs(number)):
        return Limit(value=plain + 0.0, unit=unit, places=most, converted=False)
    size = floor(log10(abs(number)))
    places = _LIMIT_DIGITS - 1 - size if size < -most else max(0, min(most, _LIMIT_DIGITS - 1 - size))
    steps = _ROUND.get(shape, round)(number * 10**places)
    if places and abs(steps) == 10**_LIMIT_DIGITS:  # rounded up to the next power of ten
        places, steps = places - 1, steps // 10
    return Limit(value=steps / 10**places + 0.0, unit=unit, places=places, converted=True)


def limit_with_unit(value: float, dimension: Dimension, system: str, shape: Shape | None = None) -> str:
    """A limit for people, without idle zeros: ``75 gal/min``; ``~284 L/min`` where it was set in another unit."""
    limit = limit_shown(value, dimension, system, shape)
    text = f"{limit.value:.{limit.places}f}"
    text = text.rstrip("0").rstrip(".") if limit.places else text
    text = f"{CONVERTED if limit.converted else ''}{text}"
    return text if dimension is Dimension.NUMBER else f"{text} {limit.unit}"


def value_line(
    value: float, code: int, dimension: Dimension, system: str, *, contact: bool = False, words: Wording = ENGLISH
) -> str:
    """A value for a terminal: ``61.2 gal/min``, ``61.2 gal/min (substituted)``, ``-- (sensor open)``, ``on``.

    Args:
        value: SI; means nothing where the code is bad.
        code: reason code.
        dimension: what it measures.
        system: ``rig.units``.
        contact: show on or off.
        words: the language.
    """
    if quality(code) is Quality.BAD:
        text = words.no_value
    elif contact:
        text = words.on if value else words.off
    elif dimension is Dimension.TIME and value >= _DAY_S:
        text = words.word("more-than-a-day")
    else:
        text = with_unit(value, dimension, system)
    return text if quality(code) is Quality.GOOD else f"{text} ({words.reason(reason_name(code))})"


def reading_line(rig: Rig, point: Point, seen: tuple[float, int]) -> str:
    """``value_line`` of a point, from ``picture.readings``; a device's own counter is a whole number."""
    if point.role == "heartbeat" and quality(seen[1]) is Quality.GOOD:
        return f"{seen[0]:.0f}"
    return value_line(*seen, dimension_of_point(point), rig.units, contact=is_contact(point))


def derived_line(rig: Rig, name: str, seen: tuple[float, int], std: tuple[float, int] | None = None) -> str:
    """``value_line`` of a derived quantity, from ``picture.derived``; with ``std`` as ``295 +/- 9 kW`` (k = 2)."""
    line = value_line(*seen, dimension_of_derived(name), rig.units, contact=name in _YES_OR_NO)
    about = None if std is None else expanded(rig, name, seen, std)
    if about is None:
        return line
    number, _, rest = line.partition(" ")
    decimals = len(number.partition(".")[2])
    return " ".join(part for part in (f"{number} +/- {about[1]:.{decimals}f}", rest) if part)


def expanded(rig: Rig, name: str, seen: tuple[float, int], std: tuple[float, int]) -> tuple[float, float] | None:
    """Expanded uncertainty (k = 2) of a derived quantity in SI and in the crew's unit; None where either is bad."""
    if quality(seen[1]) is Quality.BAD or quality(std[1]) is Quality.BAD:
        return None
    dimension = dimension_of_derived(name)
    between = Dimension.DIFFERENCE if dimension is Dimension.TEMPERATURE else dimension
    return COVERAGE * std[0], rounded(COVERAGE * std[0], between, rig.units)[0]


def derived_now(rig: Rig, picture: Picture, brake: str, name: str) -> str:
    """``derived_line`` of a brake's quantity as it stands, with its uncertainty where it has one.

    A tank without a thermometer has the inlet's temperature, and says so; so does what is ready of the cooling alone.
    """
    line = derived_line(rig, name, picture.derived[brake, name], picture.derived.get((brake, std_name(name))))
    if name == "tank_temperature_degc" and rig.role("tank-temperature") is None:
        return f"{line} (the inlet's: the tank has no sensor)"
    return f"{line} (flow, inlet and level alone; for a trip: brakewater ready)" if name == "cooling_ready" else line
