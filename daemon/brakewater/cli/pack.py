"""Pack a window of a record into one file for handing on, which explains itself and can be checked."""

import argparse
import sys
from pathlib import Path

from brakewater.cli.places import opened
from brakewater.cli.window import moment

_ENDING = ".case.zip"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder or case file")
    parser.add_argument("--from", dest="since", type=moment, metavar="T", help="begin, in UTC: 2031-02-03T04:05:06Z")
    parser.add_argument("--to", dest="until", type=moment, metavar="T", help="end")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE.case.zip", help="file to write")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where what was packed does not verify, 2 for another ending."""
    from brakewater.cli.progress import Progress  # noqa: PLC0415 - only when needed
    from brakewater.record.case import pack  # noqa: PLC0415
    from brakewater.record.verify import verify  # noqa: PLC0415

    if not args.output.name.endswith(_ENDING):
        print(f"brakewater pack: found {args.output.name}; allowed: a name ending in {_ENDING}", file=sys.stderr)
        return 2
    with Progress("packing") as progress:
        packed = pack(opened(args.record), args.output, args.since, args.until, progress.tell)
    with Progress("checking") as progress:
        report = verify(args.output, tell=progress.tell)
    print(f"{args.output}: {packed.runs} run(s), {packed.size:,} bytes, {report.verdict}", file=sys.stderr)
    for one in report.altered:
        print(f"altered: {one}; packed as it stands", file=sys.stderr)
    return 1 if report.altered else 0
