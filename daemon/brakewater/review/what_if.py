"""What would have been: another rig file, or single settings changed, over the same inputs."""

from dataclasses import replace

from brakewater.errors import Fault, RigFileError
from brakewater.rig import AlarmRule, Rig
from brakewater.units import Dimension, UnitError, parse

_SETTINGS = ("setpoint", "deadband", "on-delay", "off-delay")


def with_settings(rig: Rig, settings: list[str]) -> Rig:
    """The rig with settings such as ``aux.cooling-flow-low.setpoint=70 gal/min``.

    Raises:
        RigFileError: a setting that names nothing, or whose value cannot be read.
    """
    for setting in settings:
        key, _, value = setting.partition("=")
        alarm, _, what = key.strip().rpartition(".")
        known = [rule.key for rule in rig.alarms]
        if alarm not in known or what not in _SETTINGS or not value:
            raise _refused(setting, f"ALARM.SETTING=VALUE, with SETTING one of {', '.join(_SETTINGS)}")
        try:
            rules = tuple(_changed(rule, what, value) if rule.key == alarm else rule for rule in rig.alarms)
        except UnitError as error:
            raise _refused(f"{setting}: {error.found}", error.allowed) from error
        rig = replace(rig, alarms=rules)
    return rig


def _changed(rule: AlarmRule, what: str, value: str) -> AlarmRule:
    if what in ("setpoint", "deadband") and rule.setpoint is None:
        raise UnitError(repr(value), f"nothing: {rule.key} has no {what}")
    if what != "setpoint" and value.strip().startswith("-"):
        raise UnitError(repr(value), "zero or more")
    match what:
        case "setpoint":
            return replace(rule, setpoint=parse(value, rule.kind.dimension))
        case "deadband":
            return replace(rule, deadband=parse(value, rule.kind.difference))
        case "on-delay":
            return replace(rule, on_ns=round(parse(value, Dimension.TIME) * 1e9))
        case _:
            return replace(rule, off_ns=round(parse(value, Dimension.TIME) * 1e9))


def _refused(found: str, allowed: str) -> RigFileError:
    return RigFileError((Fault(file="--set", line=0, key="(setting)", found=found, allowed=allowed),))
