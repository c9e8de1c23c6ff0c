"""What would have been: another rig file, or single settings changed, over the same inputs.

A setting is changed in the rig file of each run, and in nothing else: where the rig file changed within a record, its
range of a point for one, each run goes by its own.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Final

from brakewater.errors import StorageError
from brakewater.record.reader import Record
from brakewater.render import dimension_of_point
from brakewater.rig import Rig
from brakewater.rig import parse as parse_rig
from brakewater.rig.faults import choices, near
from brakewater.rig.rules import rule_faults
from brakewater.rig.settings import SETTINGS, changed
from brakewater.signals.convert import CurrentLoop, Linear
from brakewater.stream import Command, Outcome, Start
from brakewater.units import UnitError, parse, utc_text

_RANGE: Final = "range"
_BETWEEN: Final = " to "


class SettingError(ValueError):
    """A setting that names nothing, or has no such value."""


def asked_of(record: Record, settings: Sequence[str]) -> tuple[Rig, Callable[[Rig], Rig]]:
    """The newest rig file with settings, and what puts them into each run's own.

    A run from before there was such an alarm or point goes as its rig file says.

    Raises:
        SettingError: the newest rig file knows none of that name, or a value cannot be read.
        StorageError: no run's start can be read.
        RigFileError: this version refuses the newest rig file.
    """

    def instead(rig: Rig) -> Rig:
        for setting in settings:
            with suppress(SettingError):
                rig = with_settings(rig, [setting])
        return rig

    return with_settings(_newest(record), list(settings)), instead


def _newest(record: Record) -> Rig:
    """Of the newest run whose start can be read."""
    for run in reversed(record.runs()):
        with suppress(StorageError):
            start = next(iter(record.others(run)), None)
            if isinstance(start, Start):
                return parse_rig(start.rig_toml, "the recorded rig file")
    raise StorageError(f"{record.folder}: no run's start can be read; brakewater verify says why")


def overruled(settings: Sequence[str], command: Command, outcome: Outcome) -> str | None:
    """What a recorded command set that was asked about: from there on that counts, and the answer is none."""
    setting = str(command.request.args.get("setting", ""))
    asked = {one.partition("=")[0].strip() for one in settings}
    if command.request.do != "set" or setting not in asked or not all(answer.ok for answer in outcome.answers):
        return None
    value, when = command.request.args.get("value"), utc_text(command.utc_ns)
    return f"{setting} was set to {value} by command at {when}: from there on that counts, not what was asked"


def with_settings(rig: Rig, settings: list[str]) -> Rig:
    """The rig with settings: ``aux.cooling-flow-low.setpoint=70 gal/min``, ``aux-flow.range=0 to 120 gal/min``.

    Raises:
        SettingError: a setting that names nothing, or whose value cannot be read.
    """
    for setting in settings:
        key, _, value = setting.partition("=")
        alarm, _, what = key.strip().rpartition(".")
        if what == _RANGE:
            rig = _ranged(rig, alarm, value, setting)
            continue
        known = [rule.key for rule in rig.alarms]
        if not value.strip() or not alarm:
            raise _refused(repr(setting), f"ALARM.SETTING=VALUE, for example '{known[0]}.on-delay=2 s'")
        if alarm not in known:
            raise _refused(f"alarm {alarm!r}", choices(alarm, known), near(alarm, known))
        if what not in SETTINGS:
            raise _refused(f"setting {what!r} of {alarm}", ", ".join((*SETTINGS, _RANGE)), near(what, SETTINGS))
        try:
            rules = tuple(changed(rule, what, value) if rule.key == alarm else rule for rule in rig.alarms)
        except UnitError as error:
            raise _refused(f"{setting}: {error.found}", error.allowed) from error
        rig = replace(rig, alarms=rules)
    return rig


def _ranged(rig: Rig, name: str, value: str, setting: str) -> Rig:
    """With another range of a point's signal: what its low and high counts stand for."""
    scaled = [point.name for point in rig.points if isinstance(point.signal, CurrentLoop | Linear)]
    if name not in scaled:
        raise _refused(f"point {name!r}", choices(name, scaled), near(name, scaled))
    point = next(one for one in rig.points if one.name == name)
    assert isinstance(point.signal, CurrentLoop | Linear)
    low, between, high = value.strip().partition(_BETWEEN)
    if not between:
        raise _refused(repr(setting), f"{name}.range=LOW to HIGH UNIT, for example '{name}.range=0 to 120 gal/min'")
    unit = high.strip().lstrip("+-.0123456789eE").strip()
    low = low if low.strip().lstrip("+-.0123456789eE").strip() else f"{low} {unit}"
    try:
        ends = [parse(one, dimension_of_point(point)) for one in (low, high)]
        signal = replace(point.signal, low=ends[0], high=ends[1])
    except UnitError as error:
        raise _refused(f"{setting}: {error.found}", error.allowed) from error
    except ValueError as error:
        raise _refused(setting, str(error)) from error
    changed_point = replace(point, signal=signal)
    return replace(rig, points=tuple(changed_point if one is point else one for one in rig.points))


def objections(rig: Rig, settings: list[str]) -> list[str]:
    """Where ``check`` would refuse what was set: one may ask what would have been, but must know.

    Args:
        rig: with the settings in it.
        settings: as given to ``with_settings``.
    """
    keys = {setting.partition("=")[0].strip().rpartition(".")[0] for setting in settings}
    return [
        f"check would refuse {rule.key}: found {fault.found}; allowed: {fault.allowed}"
        for rule in rig.alarms
        if rule.key in keys
        for fault in rule_faults(rig, rule)
    ]


def _refused(found: str, allowed: str, hint: str = "") -> SettingError:
    says = f"--set: found {found}; allowed: {allowed}"
    return SettingError(f"{says} ({hint})" if hint else says)
