"""Single settings of an alarm, written as ``aux.cooling-flow-low.setpoint``: read, changed, and the maker's limit."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from brakewater.rig.model import AlarmRule
from brakewater.rig.tables import Brake
from brakewater.units import Dimension, UnitError, parse

SETTINGS: Final[Mapping[str, str]] = {
    "setpoint": "setpoint",
    "deadband": "deadband",
    "on-delay": "on_ns",
    "off-delay": "off_ns",
}
"""Setting -> field of the rule."""
LONGEST_S: Final = 86_400.0
"""Of a delay by command; no alarm of the catalogue waits near so long."""


def value_of(rule: AlarmRule, setting: str) -> float | None:
    """As the rule has it: SI, delays in ns."""
    found: float | None = getattr(rule, SETTINGS[setting])
    return found


def with_value(rule: AlarmRule, setting: str, value: float) -> AlarmRule:
    """The rule with one setting at a value: SI, delays in ns."""
    match setting:
        case "setpoint":
            return replace(rule, setpoint=value)
        case "deadband":
            return replace(rule, deadband=value)
        case "on-delay":
            return replace(rule, on_ns=int(value))
        case _:
            return replace(rule, off_ns=int(value))


def changed(rule: AlarmRule, setting: str, text: str) -> AlarmRule:
    """The rule with one setting changed.

    Raises:
        UnitError: the alarm has no such setting, or the value cannot be read.
    """
    if setting in ("setpoint", "deadband") and rule.setpoint is None:
        raise UnitError(repr(text), f"nothing: {rule.key} has no {setting}")
    if setting == "deadband" and not rule.kind.deadband:
        raise UnitError(repr(text), f"nothing: {rule.key} has no deadband")
    if setting != "setpoint" and text.strip().startswith("-"):
        raise UnitError(repr(text), "zero or more")
    if setting.endswith("delay"):
        seconds = parse(text, Dimension.TIME)
        if not seconds <= LONGEST_S:
            raise UnitError(repr(text), f"at most {LONGEST_S / 3600:g} h: an alarm that waits longer is hidden")
        return with_value(rule, setting, round(seconds * 1e9))
    dimension = rule.kind.dimension if setting == "setpoint" else rule.kind.difference
    return with_value(rule, setting, parse(text, dimension))


def makers_limit(rule: AlarmRule, brake: Brake) -> float | None:
    """The limit of the brake's table that an alarm guards, SI; None where it guards none."""
    if not rule.kind.limit:
        return None
    return float(getattr(brake, rule.kind.limit.replace("-", "_")))


def beyond_maker(rule: AlarmRule, brake: Brake) -> bool:
    """Whether the alarm would come only after the maker's limit."""
    limit = makers_limit(rule, brake)
    if limit is None or rule.setpoint is None:
        return False
    over = limit - rule.setpoint if rule.kind.is_low else rule.setpoint - limit
    return over > 1e-9 * max(1.0, abs(limit))
