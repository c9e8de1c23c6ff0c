"""One trip as one self-contained page for handing on: summary, charts, events, settings, state of the record."""

import argparse
import sys
from pathlib import Path

from brakewater.cli.places import opened


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder or case file")
    parser.add_argument("--trip", type=int, required=True, metavar="N", help="trip N of brakewater trips")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE.html", help="file to write")
    parser.add_argument("--replace", action="store_true", help="FILE may be one that exists")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where the record does not verify, 2 for a file that exists."""
    from brakewater.cli.progress import Progress  # noqa: PLC0415 - only when needed
    from brakewater.record.durable import appearing  # noqa: PLC0415
    from brakewater.record.verify import verify  # noqa: PLC0415
    from brakewater.review.trip_page import trip_page  # noqa: PLC0415

    if args.output.exists() and not args.replace:
        print(f"brakewater report: {args.output} exists; name another file, or say --replace", file=sys.stderr)
        return 2
    record = opened(args.record)
    with Progress("checking") as progress:
        verified = verify(args.record, tell=progress.tell)
    page = trip_page(record, args.trip, verified)
    with appearing(args.output) as part:
        part.write_text(page, encoding="utf-8")
    print(f"{args.output}: {len(page.encode()):,} bytes, record {verified.verdict}", file=sys.stderr)
    return 1 if verified.altered else 0
