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
    parser.add_argument("--trip", type=int, metavar="N", help="only trip N of brakewater trips")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE.case.zip", help="file to write")
    parser.add_argument("--replace", action="store_true", help="FILE may be one that exists")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where what was packed does not verify, 2 for words that it cannot use."""
    from brakewater.cli.progress import Progress  # noqa: PLC0415 - only when needed
    from brakewater.record.case import pack  # noqa: PLC0415
    from brakewater.record.verify import verify  # noqa: PLC0415

    if not args.output.name.endswith(_ENDING):
        print(f"brakewater pack: found {args.output.name}; allowed: a name ending in {_ENDING}", file=sys.stderr)
        return 2
    if args.output.exists() and not args.replace:
        print(f"brakewater pack: {args.output} exists; name another file, or say --replace", file=sys.stderr)
        return 2
    if args.trip is not None and (args.since is not None or args.until is not None):
        print("brakewater pack: --trip gives the window; leave out --from and --to", file=sys.stderr)
        return 2
    record, (since, until) = opened(args.record), (args.since, args.until)
    if args.trip is not None:
        from brakewater.review.trips import window  # noqa: PLC0415 - only when needed

        since, until = window(record, args.trip)
    with Progress("packing") as progress:
        packed = pack(record, args.output, since, until, progress.tell)
    with Progress("checking") as progress:
        report = verify(args.output, tell=progress.tell)
    print(f"{args.output}: {packed.runs} run(s), {packed.size:,} bytes, {report.verdict}", file=sys.stderr)
    for one in report.altered:
        print(f"altered: {one}; packed as it stands", file=sys.stderr)
    return 1 if report.altered else 0
