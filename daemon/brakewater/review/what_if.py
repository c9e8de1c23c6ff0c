"""What would have been: another rig file, or single settings changed, over the same inputs.

A setting is changed in the rig file of each run, and in nothing else: where the rig file changed within a record, its
range of a point for one, each run goes by its own.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Final

from brakewater.engine.refusals import RefusedError, refused
from brakewater.errors import StorageError
from brakewater.record.reader import Record
from brakewater.render import dimension_of_point
from brakewater.rig import Rig
from brakewater.rig import parse as parse_rig
from brakewater.rig.bounds import broken_of, unshowable
from brakewater.rig.faults import choices, near
from brakewater.rig.model import AlarmRule
from brakewater.rig.ranged import ranged
from brakewater.rig.settings import LONGEST_S, SETTINGS, changed, value_of
from brakewater.signals.convert import CurrentLoop, Linear
from brakewater.stream import Command, Outcome, Start
from brakewater.units import Dimension, UnitError, parse, shown, units_of, utc_text

_RANGE: Final = "range"
_BETWEEN: Final = " to "
_NOT_NAMED: Final = ("if-alarm", "if-point")
"""Why a rig file that has no such alarm or point refuses."""


class SettingError(RefusedError):
    """A setting that names nothing, or has no such value; pages have words for it."""


def asked_of(record: Record, settings: Sequence[str]) -> tuple[Rig, Callable[[Rig], Rig]]:
    """The newest rig file that knows them with settings, and what puts them into each run's own.

    A run whose rig file has no such alarm or point, another name of the brake for one, goes as that file says.

    Raises:
        SettingError: no run's rig file knows one of that name, or a value cannot be read.
        StorageError: no run's start can be read.
        RigFileError: this version refuses a rig file that had to be looked into.
    """

    def instead(rig: Rig) -> Rig:
        for setting in settings:
            with suppress(SettingError):
                rig = with_settings(rig, [setting])
        return rig

    refusal: SettingError | None = None
    for rig in _rigs(record):
        try:
            return with_settings(rig, list(settings)), instead
        except SettingError as error:
            refusal = refusal or error
            if error.why not in _NOT_NAMED:
                raise  # it is known, its value is wrong
    if refusal is not None:
        raise refusal
    raise StorageError(f"{record.folder}: no run's start can be read; brakewater verify says why")


def _rigs(record: Record) -> Iterator[Rig]:
    """Each rig file of those runs whose start can be read, the newest first."""
    seen: set[str] = set()
    for run in reversed(record.runs()):
        start = None
        with suppress(StorageError):
            start = next(iter(record.others(run)), None)
        if isinstance(start, Start) and start.rig_toml not in seen:
            seen.add(start.rig_toml)
            yield parse_rig(start.rig_toml, "the recorded rig file")


def overruled(settings: Sequence[str], command: Command, outcome: Outcome) -> RefusedError | None:
    """What a recorded command set that was asked about: from there on that counts, and the answer is none."""
    setting = str(command.request.args.get("setting", ""))
    asked = {one.partition("=")[0].strip() for one in settings}
    if command.request.do != "set" or setting not in asked or not all(answer.ok for answer in outcome.answers):
        return None
    value, when = command.request.args.get("value"), utc_text(command.utc_ns)
    return refused("if-overruled", setting=setting, value=value, when=when)


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
            form = {"form": "ALARM.SETTING=VALUE", "example": f"'{known[0]}.on-delay=2 s'"}
            raise _refused(refused("if-form", said=repr(setting), **form))
        if alarm not in known:
            named = refused("if-alarm", said=repr(alarm), allowed=choices(alarm, known))
            raise _refused(named, hint=near(alarm, known))
        if what not in SETTINGS:
            named = refused("if-setting", said=repr(what), alarm=alarm, allowed=", ".join((*SETTINGS, _RANGE)))
            raise _refused(named, hint=near(what, SETTINGS))
        try:
            rules = tuple(changed(rule, what, value) if rule.key == alarm else rule for rule in rig.alarms)
        except UnitError as error:
            rule = next(rule for rule in rig.alarms if rule.key == alarm)
            says = f"found {setting}: {error.found}; allowed: {error.allowed}"
            raise _refused(_value_refused(rule, what, value.strip()), says) from error
        rig = replace(rig, alarms=rules)
    return rig


def _ranged(rig: Rig, name: str, value: str, setting: str) -> Rig:
    """With another range of a point's signal: what its low and high counts stand for."""
    scaled = [point.name for point in rig.points if isinstance(point.signal, CurrentLoop | Linear)]
    if name not in scaled:
        named = refused("if-point", said=repr(name), allowed=choices(name, scaled))
        raise _refused(named, hint=near(name, scaled))
    point = next(one for one in rig.points if one.name == name)
    assert isinstance(point.signal, CurrentLoop | Linear)
    low, between, high = value.strip().partition(_BETWEEN)
    if not between:
        form = {"form": f"{name}.range=LOW to HIGH UNIT", "example": f"'{name}.range=0 to 120 gal/min'"}
        raise _refused(refused("if-form", said=repr(setting), **form))
    unit = high.strip().lstrip("+-.0123456789eE").strip()
    low = low if low.strip().lstrip("+-.0123456789eE").strip() else f"{low} {unit}"
    try:
        ends = [parse(one, dimension_of_point(point)) for one in (low, high)]
        signal = replace(point.signal, low=ends[0], high=ends[1])
    except UnitError as error:
        units = units_of(dimension_of_point(point))
        named = refused("if-quantity", key=f"{name}.{_RANGE}", said=repr(value.strip()), units=units)
        raise _refused(named, f"found {setting}: {error.found}; allowed: {error.allowed}") from error
    except ValueError as error:
        named = refused("if-range", key=f"{name}.{_RANGE}", said=repr(value.strip()))
        raise _refused(named, f"found {setting}; allowed: {error}") from error
    return ranged(rig, point, signal)


def _value_refused(rule: AlarmRule, what: str, value: str) -> RefusedError:
    """Why an alarm takes no such value."""
    key, said = f"{rule.key}.{what}", repr(value)
    if what in ("setpoint", "deadband") and (rule.setpoint is None or (what == "deadband" and not rule.kind.deadband)):
        return refused("if-lacks", key=key, alarm=rule.key, setting=what)
    if what != "setpoint" and value.startswith("-"):
        return refused("if-negative", key=key, said=said)
    dimension = _dimension(rule, what)
    with suppress(UnitError):
        parse(value, dimension)
        return refused("if-long", key=key, said=said, hours=f"{LONGEST_S / 3600:g}")
    return refused("if-quantity", key=key, said=said, units=units_of(dimension))


def _dimension(rule: AlarmRule, what: str) -> Dimension:
    if what.endswith("delay"):
        return Dimension.TIME
    return rule.kind.dimension if what == "setpoint" else rule.kind.difference


def read_back(rig: Rig, settings: Sequence[str]) -> list[str]:
    """Each setting as it was read, in the rig's units: ``1.200 L/min`` typed for a thousand is seen to be one.

    Args:
        rig: with the settings in it.
        settings: as given to ``with_settings``.
    """
    rules = {rule.key: rule for rule in rig.alarms}
    points = {point.name: point for point in rig.points}
    told = []
    for key in dict.fromkeys(setting.partition("=")[0].strip() for setting in settings):
        name, _, what = key.rpartition(".")
        if what == _RANGE:
            signal, dimension = points[name].signal, dimension_of_point(points[name])
            assert isinstance(signal, CurrentLoop | Linear)
            ends = [shown(end, dimension, rig.units) for end in (signal.low, signal.high)]
        else:
            rule, dimension = rules[name], _dimension(rules[name], what)
            value = value_of(rule, what) or 0.0
            ends = [shown(value / 1e9 if what.endswith("delay") else value, dimension, rig.units)]
        told.append(f"{key} = {_BETWEEN.join(f'{number:.6g}' for number, _ in ends)} {ends[0][1]}".removesuffix(" 1"))
    return told


def objections(rig: Rig, settings: list[str]) -> list[RefusedError]:
    """Where ``check`` would refuse what was set: one may ask what would have been, but must know.

    Args:
        rig: with the settings in it.
        settings: as given to ``with_settings``.
    """
    keys = {setting.partition("=")[0].strip().rpartition(".")[0] for setting in settings}
    ranged_of = {(point.brake, point.role) for point in rig.points if point.name in keys}
    told: list[RefusedError] = []
    for rule in rig.alarms:
        wrong = list(broken_of(rig, rule)) if rule.key in keys else []
        if rule.key in keys or (rule.brake, rule.kind.quantity) in ranged_of:
            beyond = unshowable(rule, rig.points, rig.units)
            wrong += [beyond] if beyond is not None else []
        told += [refused(f"if-{one.why}", alarm=rule.key, found=one.value, **dict(one.places)) for one in wrong]
    return told


def _refused(named: RefusedError, says: str = "", hint: str = "") -> SettingError:
    """As the command says it, with the name that pages have words for."""
    told = f"--set: {says or named}"
    return SettingError(f"{told} ({hint})" if hint else told, why=named.why, places=named.places)
