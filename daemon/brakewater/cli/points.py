"""The I/O list as CSV, out and in, and which points and alarms are proved.

Without options the list goes to standard output. --take makes a new rig file of the old one and a changed list: only
the point tables change, all else stays as it was written.
"""

import argparse
import json
import sys
import tomllib
from dataclasses import asdict
from pathlib import Path

from brakewater.cli.places import is_taken, record_argument, replace_argument


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--take", type=Path, metavar="FILE.csv", help="put this list into the rig file")
    what.add_argument("--proofs", action="store_true", help="which points and alarms are proved, from the record")
    what.add_argument("--columns", action="store_true", help="what the columns of the list hold")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write here instead of to standard output")
    replace_argument(parser)
    parser.add_argument("--json", action="store_true", help="with --proofs: print one JSON document")
    record_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where --proofs finds one not proved, or damage; 2 for a list or rig file with faults."""
    if args.columns:
        return _columns()
    if args.proofs:
        return _proofs(args)
    if is_taken(args, args.output):
        return 2
    if args.take is not None:
        return _take(args)
    from brakewater.rig import load  # noqa: PLC0415 - only when needed
    from brakewater.rig.points_csv import points_csv  # noqa: PLC0415

    _put(points_csv(load(args.rig).text), args.output)
    return 0


def _take(args: argparse.Namespace) -> int:
    from brakewater.rig.points_csv import raw_points  # noqa: PLC0415 - only when needed
    from brakewater.rig.points_into import points_into  # noqa: PLC0415
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    text = _text(Path(args.rig))
    made = points_into(text, _text(args.take), file=args.rig, list_file=str(args.take))
    _put(made, args.output)
    count = sum(1 for _ in raw_points(tomllib.loads(made)))
    where = "printed only, no file is written without -o" if args.output is None else f"written to {args.output}"
    print(f"{counted(count, 'point')} taken from {args.take}; no fault found; {where}", file=sys.stderr)
    for what, names in _differences(text, made).items():
        if names:
            print(f"{what}: {', '.join(names)}", file=sys.stderr)
    return 0


def _differences(before: str, after: str) -> dict[str, list[str]]:
    """Names of the points that a list has brought, taken away and altered: a row that a spreadsheet lost must show."""
    from brakewater.rig.points_csv import raw_points  # noqa: PLC0415 - only when needed

    old, new = (
        {str(table.get("name")): (brake, table) for brake, table in raw_points(tomllib.loads(text))}
        for text in (before, after)
    )
    return {
        "new": [name for name in new if name not in old],
        "gone": [name for name in old if name not in new],
        "changed": [name for name in new if name in old and new[name] != old[name]],
    }


def _text(file: Path) -> str:
    from brakewater.errors import Fault, RigFileError, plainly  # noqa: PLC0415 - only when needed

    try:
        with file.open(encoding="utf-8-sig", newline="") as handle:
            return handle.read()
    except (OSError, UnicodeDecodeError) as error:
        fault = Fault(file=str(file), line=0, key="(file)", found=plainly(error), allowed="a readable file in UTF-8")
        raise RigFileError((fault,)) from error


def _put(text: str, file: Path | None) -> None:
    """To standard output, or into a file that appears whole or not at all."""
    if file is None:
        sys.stdout.write(text)
        return
    from brakewater.record.durable import appearing  # noqa: PLC0415 - only when needed

    with appearing(file) as part:
        part.write_text(text, encoding="utf-8", newline="")


def _columns() -> int:
    from brakewater.cli.tables import table  # noqa: PLC0415 - only when needed
    from brakewater.rig.points_csv import COLUMNS  # noqa: PLC0415

    print(table(("column", "holds"), list(COLUMNS.items())))
    print("\nan empty cell is an absent key; a list is joined by semicolons; text that looks like a number is quoted")
    return 0


def _proofs(args: argparse.Namespace) -> int:
    from brakewater.cli.tables import table  # noqa: PLC0415 - only when needed
    from brakewater.review.alarm_proofs import alarm_proofs  # noqa: PLC0415
    from brakewater.review.proofs import proofs  # noqa: PLC0415
    from brakewater.rig import load  # noqa: PLC0415

    rig = load(args.rig)
    damage: list[str] = []
    points, alarms = proofs(rig, args.record, damage), alarm_proofs(rig, args.record, damage)
    for says in damage:
        print(f"damaged: {says}; a newer sheet or test may be lost in it", file=sys.stderr)
    if args.json:
        found = {"points": [asdict(one) for one in points], "alarms": [asdict(one) for one in alarms]}
        print(json.dumps({**found, "damaged": damage}))
    else:
        of_points = [(one.point, one.says, one.by or "", one.instrument or "") for one in points]
        of_alarms = [(one.alarm, one.says, one.by or "", one.seen_by or "") for one in alarms]
        print(table(("point", "loop check", "by", "instrument"), of_points), end="\n\n")
        print(table(("alarm", "test to lamp and horn", "by", "seen by"), of_alarms))
    is_proved = {one.status for one in points} | {one.status for one in alarms} <= {"proved"}
    return 0 if is_proved and not damage else 1
