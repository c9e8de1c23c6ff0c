"""Write a record's readings and derived values to a CSV file, with units."""

import argparse
import sys
from pathlib import Path

from brakewater.cli.places import opened


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE.csv", help="file to write")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where part of the record is damaged."""
    from brakewater.review.export import export_csv  # noqa: PLC0415 - only when needed

    if args.output.suffix != ".csv":
        print(f"brakewater export: found {args.output.name}; allowed: a name ending in .csv", file=sys.stderr)
        return 2
    tally = export_csv(opened(args.record), args.output)
    print(f"{args.output}: {tally.scans} rows", file=sys.stderr)
    for place in tally.damage:
        print(f"damaged: {place}; exported what is whole", file=sys.stderr)
    return 1 if tally.damage else 0
