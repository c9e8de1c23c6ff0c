"""Settings changed by command: a named overlay over the rig file, with old value, new value, who and why.

It lies in the stream, so replay knows it. The rig file takes a setting back by changing it, and by nothing else; no
command sets one beyond the maker's limit, which stands in the rig file alone.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from brakewater.engine.asking import reason_of
from brakewater.engine.refusals import RefusedError
from brakewater.rig import AlarmRule, Brake, Rig
from brakewater.rig.bounds import broken_of, unshowable
from brakewater.rig.settings import SETTINGS, beyond_maker, changed, makers_limit, value_of, with_value
from brakewater.stream import Command, SettingNow
from brakewater.units import Dimension, UnitError, shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One setting that stands above the file's."""

    now: SettingNow
    value: float
    """SI; delays in ns."""
    file: float | None
    """What the rig file said when it was changed."""


class Overlay:
    """Every setting of one rig that was changed by command."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._base = {rule.key: rule for rule in rig.alarms}
        self._brakes: dict[str | None, Brake] = {brake.name: brake for brake in rig.brakes}
        self._changes: dict[str, Change] = {}

    def rule(self, alarm: str) -> AlarmRule:
        """The rule in force of an alarm, by its key."""
        rule = self._base[alarm]
        for change in self._changes.values():
            if change.now.alarm == alarm:
                rule = with_value(rule, change.now.setting, change.value)
        return rule

    def set(self, command: Command) -> tuple[str, str]:
        """Change a setting; the alarm's key and what was and became.

        Raises:
            RefusedError: it names nothing, cannot be read, breaks a rule, or lies beyond the maker's limit.
        """
        args = command.request.args
        alarm, setting = self._named(args)
        reason, text = reason_of(args), args.get("value")
        if not isinstance(text, str):
            raise RefusedError('a value with its unit is needed, in quotes, for example "72 gal/min"')
        before = self.rule(alarm)
        try:
            after = changed(before, setting, text)
        except UnitError as error:
            raise RefusedError(f"{alarm}.{setting} {error.found}; allowed: {error.allowed}") from error
        self._check(after)
        old = self._shown(alarm, setting, before)
        value = value_of(after, setting)
        assert value is not None
        now = SettingNow(
            alarm=alarm,
            setting=setting,
            text=text,
            was=old,
            actor=command.request.actor,
            reason=reason,
            since_utc_ns=command.utc_ns,
        )
        self._changes[f"{alarm}.{setting}"] = Change(now=now, value=value, file=value_of(self._base[alarm], setting))
        return alarm, f"{setting} {old} -> {text}: {reason}"

    def unset(self, command: Command) -> tuple[str, str]:
        """Give a setting back to the rig file.

        Raises:
            RefusedError: it names nothing, or what nobody has changed.
        """
        alarm, setting = self._named(command.request.args)
        reason = reason_of(command.request.args)
        change = self._changes.pop(f"{alarm}.{setting}", None)
        if change is None:
            raise RefusedError(f"{alarm}.{setting} is as the rig file has it")
        return alarm, f"{setting} {change.now.text} -> {self._shown(alarm, setting, self._base[alarm])}: {reason}"

    def _check(self, rule: AlarmRule) -> None:
        brake = self._brakes.get(rule.brake)
        limit = None if brake is None else makers_limit(rule, brake)
        if limit is not None and self._is_beyond(rule):
            raise RefusedError(
                f"{rule.key} would lie beyond the maker's limit of {self._in_units(limit, rule.kind.dimension)}"
                f" ({rule.kind.limit}); that stands in the rig file alone, with its basis"
            )
        beyond = unshowable(rule, self._rig.points, self._rig.units)
        for wrong in (*broken_of(self._rig, rule), *([beyond] if beyond is not None else [])):
            raise RefusedError(f"{rule.key}: found {wrong.found}; allowed: {wrong.allowed}")

    def _is_beyond(self, rule: AlarmRule) -> bool:
        brake = self._brakes.get(rule.brake)
        return brake is not None and beyond_maker(rule, brake)

    def _in_units(self, value: float, dimension: Dimension) -> str:
        """In the crew's unit."""
        number, unit = shown(value, dimension, self._rig.units)
        return f"{number:.6g} {unit}".rstrip()

    def _named(self, args: Mapping[str, Any]) -> tuple[str, str]:
        alarm, _, setting = str(args.get("setting", "")).rpartition(".")
        if alarm not in self._base or setting not in SETTINGS:
            raise RefusedError(
                '"setting": allowed: ALARM.SETTING such as aux.cooling-flow-low.setpoint,'
                f" SETTING {', '.join(SETTINGS)}"
            )
        return alarm, setting

    def _shown(self, alarm: str, setting: str, rule: AlarmRule) -> str:
        """As it was typed, or as the file has it in the crew's unit."""
        change = self._changes.get(f"{alarm}.{setting}")
        if change is not None and value_of(rule, setting) == change.value:
            return change.now.text
        value = value_of(rule, setting)
        if setting.endswith("delay"):
            return f"{(value or 0) / 1e9:g} s"
        dimension = rule.kind.dimension if setting == "setpoint" else rule.kind.difference
        return "" if value is None else self._in_units(value, dimension)

    def shown(self) -> tuple[SettingNow, ...]:
        """All of them, by name."""
        return tuple(change.now for _, change in sorted(self._changes.items()))

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            key: {
                "alarm": change.now.alarm,
                "setting": change.now.setting,
                "text": change.now.text,
                "was": change.now.was,
                "actor": change.now.actor,
                "reason": change.now.reason,
                "since": str(change.now.since_utc_ns),
                "value": change.value,
                "file": change.file,
            }
            for key, change in self._changes.items()
        }

    def restore(self, state: Mapping[str, Any]) -> list[tuple[str, str]]:
        """Go on from a snapshot; gives what the rig file has taken back: alarm and what was and became.

        It takes back a setting that it has changed itself, and a setpoint beyond the maker's limit as it is now.
        """
        gone = []
        for key, kept in state.items():
            alarm, setting = kept["alarm"], kept["setting"]
            rule = self._base.get(alarm)
            if rule is None:
                continue
            if value_of(rule, setting) != kept["file"]:
                gone.append((alarm, f"{setting} {kept['text']} -> {self._shown(alarm, setting, rule)}: the rig file"))
                continue
            if setting == "setpoint" and self._is_beyond(with_value(rule, setting, kept["value"])):
                became = f"{setting} {kept['text']} -> {self._shown(alarm, setting, rule)}"
                gone.append((alarm, f"{became}: beyond the maker's limit of the rig file"))
                continue
            now = SettingNow(
                alarm=alarm,
                setting=setting,
                text=kept["text"],
                was=kept["was"],
                actor=kept["actor"],
                reason=kept["reason"],
                since_utc_ns=int(kept["since"]),
            )
            self._changes[key] = Change(now=now, value=kept["value"], file=kept["file"])
        return gone
