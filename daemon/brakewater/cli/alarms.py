"""Alarm performance figures of a record, beside the published targets."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where the record holds no scans or no events but inputs only, or part of it is damaged."""
    from brakewater.alarms.performance import TARGETS  # noqa: PLC0415 - only when needed
    from brakewater.cli.places import opened  # noqa: PLC0415
    from brakewater.review.alarm_figures import inputs_only, of_record  # noqa: PLC0415

    damage: list[str] = []
    record = opened(args.record)
    found = of_record(record, damage=damage)
    for place in damage:
        print(f"damaged: {place}; the figures are of what is whole", file=sys.stderr)
    if found is None:
        print(f"{args.record}: found no scans; a record of a watch is needed", file=sys.stderr)
        return 1
    if inputs_only(record):
        none = "no events are recorded in it, only inputs, so there is nothing to count"
        tells = (
            f"brakewater replay {args.record} tells the alarms that they give, with --fill it adds them to the record"
        )
        print(f"{args.record}: {none}; {tells}", file=sys.stderr)
        return 1
    if args.json:
        print(json.dumps({**found, "targets": TARGETS}))
    else:
        _show(found, TARGETS)
    return 1 if damage else 0


_ROWS = (
    ("per_day", "alarms a day", "{:.1f}"),
    ("per_hour", "alarms an hour", "{:.2f}"),
    ("per_10_min", "alarms in ten minutes", "{:.2f}"),
    ("peak_10_min", "most in ten minutes", "{}"),
    ("hours_over_30_share", "hours with more than 30", "{:.1%}"),
    ("ten_min_over_10_share", "ten minutes with more than 10", "{:.1%}"),
    ("flood_share", "time in flood", "{:.1%}"),
    ("top_10_share", "share of the ten most frequent", "{:.0%}"),
)


def _show(found: dict[str, Any], targets: dict[str, str]) -> None:
    from brakewater.cli.tables import table  # noqa: PLC0415 - only when needed
    from brakewater.units import counted, utc_text  # noqa: PLC0415

    begin, end = (utc_text(round(found[key] * 1e9)) for key in ("from_s", "to_s"))
    print(f"{counted(found['alarms'], 'alarm')} from {begin} to {end}, {found['watched_s'] / 3600:.1f} h watched\n")
    rows = [(says, form.format(found[key]), targets[key]) for key, says, form in _ROWS]
    shares = ", ".join(f"{share:.0%} {priority}" for priority, share in found["priority_share"].items())
    rows += [
        ("chattering", ", ".join(found["chattering"]) or "none", targets["chattering"]),
        ("stale (more than a day)", ", ".join(found["stale"]) or "none", targets["stale"]),
        ("priorities", shares, targets["priority_share"]),
    ]
    print(table(("figure", "found", "target"), rows))
    took = found["acknowledged_after_s"]
    if took["median"] is not None:
        print(f"\nacknowledged {took['count']}: median {took['median']:.0f} s, longest {took['longest']:.0f} s")
    print(f"never acknowledged: {took['never']}")
    if found["untimed"]:
        print(f"not counted: {counted(found['untimed'], 'alarm')} that came while the clock was wrong")
    for row in found["most_frequent"]:
        print(f"{row['count']:6d}  {row['alarm']}")
    if not found["long_enough"]:
        print("\nLess than 30 days: a glance, no assessment. Targets: ISA-18.2 and EEMUA 191, from memory.")
