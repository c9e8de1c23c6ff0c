"""Write a record's readings and derived values to a CSV or Parquet file, with units."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from brakewater.cli.places import is_taken, opened, replace_argument
from brakewater.cli.window import duration, is_backwards, moment, of_trip

if TYPE_CHECKING:
    from brakewater.review.export import Exported, Wanted


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder or case file")
    parser.add_argument(
        "-o", "--output", type=Path, required=True, metavar="FILE", help=".csv or .parquet to write; who took what and"
        " when is noted in exports.jsonl in the record folder, beside the record and not in its chain",
    )  # fmt: skip
    parser.add_argument(
        "--every",
        type=duration,
        metavar="TIME",
        help="a row so often ('1s', '5 min'): time-weighted mean, min, max, share known; without it a row a scan",
    )
    parser.add_argument("--from", dest="since", type=moment, metavar="T", help="begin, in UTC: 2031-02-03T04:05:06Z")
    parser.add_argument("--trip", type=int, metavar="N", help="only trip N of brakewater trips")
    parser.add_argument("--to", dest="until", type=moment, metavar="T", help="end, itself not included")
    replace_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where part of the record is damaged, 2 for a name that ends in neither."""
    from brakewater.cli.progress import Progress  # noqa: PLC0415 - only when needed
    from brakewater.review.export import Wanted, export  # noqa: PLC0415
    from brakewater.review.table_file import KINDS  # noqa: PLC0415
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    if args.output.suffix not in KINDS:
        print(
            f"brakewater export: found {args.output.name}; allowed: a name ending in .csv or .parquet", file=sys.stderr
        )
        return 2
    if is_taken(args, args.output):
        return 2
    if is_backwards(args.since, args.until):
        print("brakewater export: --from lies after --to", file=sys.stderr)
        return 2
    record = opened(args.record)
    if args.trip is not None:
        if args.since is not None or args.until is not None:
            print("brakewater export: --trip gives the window; leave out --from and --to", file=sys.stderr)
            return 2
        args.since, args.until = of_trip(record, args.trip)
    wanted = Wanted(from_utc_ns=args.since, to_utc_ns=args.until, every_ns=args.every)
    spans = record.spans(args.since, args.until)
    begin, end = (min(one.from_utc_ns for one in spans), max(one.to_utc_ns for one in spans)) if spans else (0, 0)
    with Progress("exporting") as progress:
        done = export(record, args.output, wanted, lambda at: progress.tell(at - begin, end - begin))
    print(f"{args.output}: {counted(done.rows, 'row')}", file=sys.stderr)
    for place in done.tally.damage:
        print(f"damaged: {place}; exported what is whole", file=sys.stderr)
    _log(args, wanted, done)
    return 1 if done.tally.damage else 0


def _log(args: argparse.Namespace, wanted: "Wanted", done: "Exported") -> None:
    from brakewater.errors import StorageError  # noqa: PLC0415 - only when needed
    from brakewater.review.export_log import note  # noqa: PLC0415

    try:
        note(args.record, args.output, wanted, done)
    except StorageError as error:
        print(f"not logged: {error}", file=sys.stderr)
