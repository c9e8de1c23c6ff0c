"""Check a rig file: every fault at once, else points, reads, alarms, lamps and what may be written."""

import argparse
import json
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from brakewater.field.plan import DevicePlan
    from brakewater.rig import Rig


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Exit status 0, or 2 with faults."""
    from brakewater.errors import RigFileError  # noqa: PLC0415 - only when needed
    from brakewater.field.plan import plan  # noqa: PLC0415
    from brakewater.rig import load  # noqa: PLC0415
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    try:
        rig = load(args.rig)
    except RigFileError as error:
        if args.json:
            faults = [asdict(fault) for fault in error.faults]
            print(
                json.dumps(
                    {
                        "ok": False,
                        "faults": faults,
                        "warnings": [],
                        "reads": [],
                        "alarms": [],
                        "unwatched": [],
                        "writes": [],
                    }
                )
            )
        else:
            print(error, file=sys.stderr)
            print(
                f"{counted(len(error.faults), 'fault')}; nothing was started. Some checks wait until these are mended",
                file=sys.stderr,
            )
        return 2
    plans = plan(rig)
    if args.json:
        print(json.dumps(_document(rig, plans)))
    else:
        _show(rig, plans)
    return 0


def _document(rig: "Rig", plans: "tuple[DevicePlan, ...]") -> dict[str, Any]:
    from brakewater.field.estimate import warnings  # noqa: PLC0415
    from brakewater.rig.cautions import cautions  # noqa: PLC0415
    from brakewater.rig.unwatched import unwatched  # noqa: PLC0415

    return {
        "ok": True,
        "faults": [],
        "warnings": [*warnings(plans, rig.scan_ns), *cautions(rig)],
        "reads": [
            {
                "device": planned.device.name,
                "unit": one.read.unit,
                "table": one.read.table.value,
                "address": one.read.address,
                "count": one.read.count,
            }
            for planned in plans
            for one in planned.reads
        ],
        "alarms": [
            {
                "alarm": rule.key,
                "priority": rule.priority,
                "setpoint": rule.setpoint,
                "deadband": rule.deadband,
                "on_delay_s": rule.on_ns / 1e9,
                "off_delay_s": rule.off_ns / 1e9,
                "unit": rule.kind.dimension.value,
                "defaults": sorted(rule.defaults),
            }
            for rule in rig.alarms
        ],
        "unwatched": [asdict(one) for one in unwatched(rig)],
        "writes": _writes(rig),
    }


def _show(rig: "Rig", plans: "tuple[DevicePlan, ...]") -> None:
    from brakewater.cli.signal_text import signal_text  # noqa: PLC0415
    from brakewater.cli.tables import table  # noqa: PLC0415
    from brakewater.field.estimate import warnings  # noqa: PLC0415
    from brakewater.rig import SELF  # noqa: PLC0415
    from brakewater.rig.cautions import cautions  # noqa: PLC0415
    from brakewater.rig.roles import ROLES  # noqa: PLC0415

    print(f"{rig.file}: rig {rig.name}, pad {rig.pad}, a scan every {rig.scan_ns / 1e6:g} ms\n")
    rows = [
        (
            point.name,
            point.role,
            point.brake or "rig",
            point.device,
            f"{point.table.value} {point.address} = {_reference(point.table.value, point.address)}",
            point.register.kind.value if point.register.bit is None else f"bit {point.register.bit}",
            signal_text(point, rig.units),
        )
        for point in rig.points
        if point.device != SELF
    ]
    print(table(("point", "role", "of", "device", "address", "type", "signal"), rows))
    print()
    for planned in plans:
        for every in sorted({one.every for one in planned.reads}):
            print(f"{planned.device.name}: {_asked(planned, every)}")
    for warning in (*warnings(plans, rig.scan_ns), *cautions(rig)):
        print(f"warning: {warning}")
    print()
    print(table(("alarm", "priority", "setpoint", "deadband", "on", "off"), [_alarm(rig, rule) for rule in rig.alarms]))
    print("* a default that nobody entered for this rig: hold it against the maker's manual\n")
    _show_unwatched(rig)
    _show_lamps(rig)
    have = {(point.brake, point.role) for point in rig.points}
    for brake in rig.brakes:
        for name, role in ROLES.items():
            if (brake.name if role.brake else None, name) not in have and not name.startswith(("push", "heartbeat")):
                print(f"{brake.name} has no {name}: the watch does without {role.lost}")
    print()
    for write in _writes(rig):
        last = write["address"] + write["count"] - 1
        place = f"unit {write['unit']}, {write['table']} {write['address']}..{last}"
        places = " to ".join(_reference("holding", at) for at in (write["address"], last))
        where = f"while holding {write['address'] - 1} keeps the signature"
        print(f"may be written: {write['device']}, {place} ({places}), {where}")
    if not rig.mailboxes:
        print("Nothing may be written: this rig file names no lamp writes.")
    if rig.registers is not None:
        allowed = ", ".join(rig.registers.allow)
        print(f"outstation on {rig.registers.host}:{rig.registers.port} for {allowed}; see `brakewater map {rig.file}`")
    print("No fault found.")


def _asked(planned: "DevicePlan", every: int) -> str:
    """What a device is asked every so many scans, and how long that takes."""
    from brakewater.field.estimate import estimate_s  # noqa: PLC0415 - only when needed
    from brakewater.units import counted  # noqa: PLC0415

    reads = [one.read for one in planned.reads if one.every == every]
    places = ", ".join(f"{read.table.value} {read.address}..{read.address + read.count - 1}" for read in reads)
    when = "a scan" if every == 1 else f"every {every} scans"
    return f"{counted(len(reads), 'request')} {when}: {places}; about {estimate_s(planned, reads) * 1e3:.3g} ms"


def _reference(table: str, address: int) -> str:
    """As register lists have it, counted from 1: five digits where they do, else six."""
    return f"{_DIGIT[table]}{address + 1:0{4 if address < _FIVE_DIGITS else 5}d}"


_DIGIT = {"coil": 0, "discrete": 1, "input": 3, "holding": 4}
_FIVE_DIGITS = 9_999


def _show_lamps(rig: "Rig") -> None:
    """Every window, the watch's own, and what none shows though it is urgent."""
    for lamp in rig.lamps:
        print(f"lamp {lamp.name} ({lamp.colour}): {', '.join(lamp.alarms)}")
    unseen = [rule.key for rule in rig.alarms if rule.priority in _URGENT and not any(map(_shows(rule), rig.lamps))]
    if unseen:
        print(f"in no window, so only heard: {', '.join(unseen)}")
    print("lamp watching (white): lit while the watch is at work; when all is well it is the only one")
    print("lamp ready (green): before a trip, nothing stands in its way; dark with a brake in service\n")


def _show_unwatched(rig: "Rig") -> None:
    from brakewater.rig.unwatched import unwatched  # noqa: PLC0415

    found = unwatched(rig)
    if found:
        print("cannot be watched, because the rig file has no:")
        width = max(len(one.alarm) for one in found)
        for one in found:
            print(f"  {one.alarm:<{width}}  {'; '.join(one.lacks)}")
        print()


_URGENT = ("critical", "high")


def _shows(rule: Any) -> Any:
    return lambda lamp: lamp.shows(rule.name)


def _writes(rig: "Rig") -> list[dict[str, Any]]:
    """Every address that may ever be written."""
    units = {device.name: device.unit for device in rig.devices}
    return [
        {
            "device": mailbox.device,
            "unit": units[mailbox.device],
            "table": "holding",
            "address": mailbox.first,
            "count": mailbox.count - 1,
        }
        for mailbox in rig.mailboxes
    ]


def _alarm(rig: "Rig", rule: Any) -> tuple[str, ...]:
    from brakewater.units import shown  # noqa: PLC0415

    if rule.setpoint is None:
        setpoint = deadband = ""
    else:
        value, unit = shown(rule.setpoint, rule.kind.dimension, rig.units)
        band, band_unit = shown(rule.deadband, rule.kind.difference, rig.units)
        setpoint, deadband = _number(value, 4, unit), _number(band, 3, band_unit)
    cells = {
        "setpoint": setpoint,
        "deadband": deadband,
        "on-delay": f"{rule.on_ns / 1e9:g} s",
        "off-delay": f"{rule.off_ns / 1e9:g} s",
    }
    marked = (f"{text} *" if text and key in rule.defaults else text for key, text in cells.items())
    return (rule.key, rule.priority, *marked)


def _number(value: float, digits: int, unit: str) -> str:
    """A pure number stands alone."""
    return f"{value:.{digits}g}" if unit == "1" else f"{value:.{digits}g} {unit}"
