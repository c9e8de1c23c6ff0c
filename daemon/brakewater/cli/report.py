"""One trip as one self-contained page for handing on: what happened, charts, settings, state of the record."""

import argparse
import sys
from pathlib import Path

from brakewater.cli.places import is_taken, opened, replace_argument

_PAPERS = ("A4", "Letter")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder or case file")
    parser.add_argument("--trip", type=int, required=True, metavar="N", help="trip N of brakewater trips")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE.html", help="file to write")
    parser.add_argument("--pdf", action="store_true", help="write FILE.pdf beside it, by a Chromium of this machine")
    parser.add_argument("--paper", choices=_PAPERS, help="of the printed pages (default: the printer's own; PDF: A4)")
    parser.add_argument("--lang", metavar="CODE", help="en or es (default: the rig file's)")
    parser.add_argument("--units", choices=("us", "metric"), help="(default: the rig file's)")
    replace_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where the record does not verify, 2 for a file that exists, 3 where no PDF can be made."""
    from brakewater.cli.progress import Progress  # noqa: PLC0415 - only when needed
    from brakewater.panel.inlined import chart_code  # noqa: PLC0415
    from brakewater.record.durable import appearing  # noqa: PLC0415
    from brakewater.record.verify import verify  # noqa: PLC0415
    from brakewater.review.trip_page import trip_page  # noqa: PLC0415

    pdf = args.output.with_suffix(".pdf") if args.pdf else None
    if is_taken(args, args.output, pdf):
        return 2
    if pdf == args.output:
        print("brakewater report: -o names the page; with --pdf it must not end in .pdf itself", file=sys.stderr)
        return 2
    record, code = opened(args.record), chart_code()
    with Progress("checking") as progress:
        verified = verify(args.record, tell=progress.tell)
    paper, asked = args.paper or ("A4" if args.pdf else None), {"code": args.lang, "units": args.units}
    page = trip_page(record, args.trip, verified, code, paper, asked)
    with appearing(args.output) as part:
        part.write_text(page, encoding="utf-8")
    still = "" if code else ", its charts stand still: `python deploy/charts.py` fetches what moves them"
    print(f"{args.output}: {len(page.encode()):,} bytes, record {verified.verdict}{still}", file=sys.stderr)
    if pdf is not None:
        from brakewater.cli.printed import printed  # noqa: PLC0415 - only when needed

        printed(args.output, pdf)
        print(f"{pdf}: {pdf.stat().st_size:,} bytes", file=sys.stderr)
    return 1 if verified.altered else 0
