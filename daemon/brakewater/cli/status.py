"""Ask the running daemon whether it is watching: values, devices, links, and which alarms stand."""

import argparse
import json
from typing import Any

from brakewater.cli.places import record_argument

_STALE_S = 2.0
_MIB = 1 << 20
_LATE_S = 3.0
"""What waits to be written so long waits for the disk: a commit is due after a second."""
_STALE_SCANS = 4
_MOST_STARTS = 3
"""Older than both of these, and the watch stands still."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    record_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Exit status 0 while scans flow, 1 when they do not."""
    from brakewater.control import ask  # noqa: PLC0415 - only when needed

    found = ask(args.record, {"ask": "status"}, holding="rig")
    age = found.get("scan_age_s")
    stale_s = max(_STALE_S, _STALE_SCANS * found.get("scan_s", 0.0))
    watching = isinstance(age, int | float) and age < stale_s
    if args.json:
        print(json.dumps(found))
    else:
        _show(found, watching=watching)
    return 0 if watching else 1


def _show(found: dict[str, Any], *, watching: bool) -> None:
    from brakewater.field.seen import what_to_check  # noqa: PLC0415 - only when needed

    age = found.get("scan_age_s")
    age_text = "never" if age is None else f"{age:.1f} s ago"
    print(f"{'watching' if watching else 'NOT WATCHING'} rig {found['rig']}: last scan {age_text}, run {found['run']}")
    if found.get("starts_lately", 1) > _MOST_STARTS:
        print(f"CRASHES AGAIN AND AGAIN: {found['starts_lately']} starts in ten minutes; its log says why")
    _show_values(found.get("values") or {}, watching=watching)
    for name, device in found["devices"].items():
        if device["status"] == "not-read":
            print(f"device {name}: nothing is read from it")
            continue
        answers = ", ".join(f"{count} {status}" for status, count in device["answers"].items())
        trouble = f", {device['trouble']}" if device.get("trouble") else ""
        print(f"device {name}: {device['status']}{trouble} ({answers}){_lately(device)}")
        if check := what_to_check(device["status"]):
            print(f"    {check}")
    _show_plcs(found)
    _show_broker(found["broker"])
    for name, mirror in found["mirrors"].items():
        _show_mirror(name, mirror)
    _show_record(found["record"])
    for one in found["by_hand"]:
        print(f"{one['what'].upper()} {one['point']} until {one['until']}, by {one['actor']}: {one['reason']}")
    for one in found.get("settings", []):
        what = f"{one['alarm']}.{one['setting']} to {one['value']} (was {one['was']})"
        print(f"CHANGED {what}, by {one['actor']}: {one['reason']}")
    for one in found.get("rounds", []):
        if one["state"] != "ok":
            print(f"round {one['round']}: {one['text']}")
    _show_alarms(found["alarms"])


def _show_alarms(alarms: list[dict[str, Any]]) -> None:
    for alarm in alarms:
        name = f"{alarm['brake'] or 'rig'}.{alarm['alarm']}"
        print(f"{alarm['state'].upper()} {name} since {alarm['since']}: {alarm['text']}")
        for mask in alarm.get("masks", []):
            end = mask["until"] or "it is taken off"
            print(f"    {mask['mask']} until {end}, by {mask['actor'] or 'the rig file'}: {mask['reason']}")
        if alarm["respond"]:
            print(f"    {alarm['respond']}")
    if not alarms:
        print("no alarm standing")


def _show_values(values: dict[str, Any], *, watching: bool) -> None:
    """Every reading and derived number of the last scan, readings of the whole rig once."""
    from brakewater.render import spoken  # noqa: PLC0415 - only when needed

    if values and not watching:
        print("OLD VALUES, from the last scan there was:")
    rows, seen = [], set()
    for brake, held in values.items():
        for name, one in held["readings"].items():
            if name not in seen:
                rows.append((name, one["text"]))
                seen.add(name)
        rows += [
            (f"{brake} {spoken(name)}", one["text"]) for name, one in held["derived"].items() if "_std" not in name
        ]
    wide = max((len(name) for name, _ in rows), default=0)
    for name, text in rows:
        print(f"  {name:<{wide}}  {text}")


def _lately(device: dict[str, Any]) -> str:
    share = device["errors_lately"]
    return f", {share:.1%} wrong in the last minute" if share else ""


def _show_plcs(found: dict[str, Any]) -> None:
    """What PLCs are given: lamps that are written to them, and registers that they read."""
    for name, lamps in found.get("lamp_writes", {}).items():
        counts = f"{lamps['written']} written, {lamps['lamp_write_failed']} failed"
        print(f"lamps at {name}: {lamps['trouble'] or 'ok'} ({counts})")
    if (station := found.get("outstation")) is not None:
        state = "listening" if station["listening"] else "NOT LISTENING"
        print(f"registers for the PLC: {state}, {station['connections']} connected, {station['requests']} requests")


def _show_broker(broker: dict[str, Any] | None) -> None:
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    if broker is None:
        return
    state = f"connected, MQTT {broker['version']}" if broker["connected"] else "LOST"
    trouble = f": {broker['trouble']}" if broker["trouble"] else ""
    print(
        f"broker: {state}, {counted(broker['events'], 'event')} delivered,"
        f" {counted(broker['drops'], 'session')} lost{trouble}"
    )


def _show_mirror(name: str, mirror: dict[str, Any]) -> None:
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    live_s, behind_s = mirror["live_ns"] / 1e9, mirror["backlog_ns"] / 1e9
    owed = f", {_span(behind_s)} still owed" if mirror["owed"] or behind_s > _STALE_S else ""
    parked = f", {counted(mirror['parked'], 'line')} refused and parked" if mirror["parked"] else ""
    waits = ", waits for a plausible clock" if mirror["waiting"] else ""
    trouble = f": {mirror['last_error']}" if mirror["last_error"] else ""
    print(
        f"mirror {name}: {_span(live_s)} behind{owed}, {counted(mirror['sent'], 'line')} sent{parked}{waits}{trouble}"
    )


def _show_record(record: dict[str, Any]) -> None:
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    waits = record["commit_age_s"] > _LATE_S
    state = f"WAITS FOR ITS DISK for {_span(record['commit_age_s'])}" if waits else "recording"
    state = state if record["recording"] else "NOT RECORDING"
    size = f"{record['hot_bytes'] / _MIB:.1f} MiB ({record['wal_bytes'] / _MIB:.1f} in the log)"
    lost = f", {counted(record['lost'], 'input')} LOST" if record["lost"] else ""
    failed = f", {counted(record['failures'], 'commit')} failed" if record["failures"] else ""
    took = f"last commit {record['commit_latency_s'] * 1000:.0f} ms"
    trouble = f": {record['trouble']}" if record["trouble"] else ""
    print(f"record: {state}, {record['queued']} waiting, {took}, {size}{failed}{lost}{trouble}")


def _span(seconds: float) -> str:
    """A time span in the largest unit that leaves one figure before the point."""
    for unit, length in (("d", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= length:
            return f"{seconds / length:.1f} {unit}"
    return f"{seconds:.1f} s"
