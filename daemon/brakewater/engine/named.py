"""Which alarms a command names."""

import difflib
from collections.abc import Mapping
from typing import Any

from brakewater.engine.alarm import Alarm


def named(alarms: list[Alarm], args: Mapping[str, Any]) -> list[Alarm]:
    """The alarms a command names: ``all``, ``cooling-lost`` with ``brake``, or ``aux.cooling-lost``."""
    wanted = str(args.get("alarm", ""))
    brake = args.get("brake")
    if wanted == "all":
        return [alarm for alarm in alarms if brake in (None, alarm.rule.brake or "rig")]
    keys = {wanted, f"{brake or 'rig'}.{wanted}"}
    return [alarm for alarm in alarms if alarm.rule.key in keys]


def listed(alarms: list[Alarm], keys: Any) -> list[Alarm]:
    """Those of a list of keys, as a page has shown them; what the rig file does not know any more is left out."""
    wanted = {key for key in keys if isinstance(key, str)} if isinstance(keys, list | tuple) else set()
    return [alarm for alarm in alarms if alarm.rule.key in wanted]


def unknown(alarms: list[Alarm], args: Mapping[str, Any], *, every: bool = True) -> str:
    """Why a command names nothing, with the nearest names there are; ``every``: it may name all at once."""
    brakes = sorted({alarm.rule.brake or "rig" for alarm in alarms})
    if args.get("brake") is not None and args["brake"] not in brakes:
        return f'no brake "{args["brake"]}"; there is {", ".join(brakes)}'
    asked = ".".join(str(args[key]) for key in ("brake", "alarm") if args.get(key) is not None)
    names = [alarm.rule.key for alarm in alarms]
    if not asked:
        or_all = '"all", or ' if every else ""
        return f'say which alarm: {or_all}for example "{names[0]}"'
    close = difflib.get_close_matches(asked, names, n=3, cutoff=0.0)
    or_all = '; or "all"' if every else ""
    return f'no alarm "{asked}"; nearest: {", ".join(close)}{or_all}'
