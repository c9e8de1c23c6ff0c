"""Pack a window of a record into one file for handing on, which explains itself and can be checked."""

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from brakewater.cli.places import is_taken, opened, replace_argument
from brakewater.cli.window import is_backwards, moment, of_trip

if TYPE_CHECKING:
    from brakewater.record.signing import Signer

_ENDING = ".case.zip"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder or case file")
    parser.add_argument("--from", dest="since", type=moment, metavar="T", help="begin, in UTC: 2031-02-03T04:05:06Z")
    parser.add_argument("--to", dest="until", type=moment, metavar="T", help="end")
    parser.add_argument("--trip", type=int, metavar="N", help="only trip N of brakewater trips")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE.case.zip", help="file to write")
    parser.add_argument(
        "--sign",
        type=Path,
        metavar="PEM",
        help="private Ed25519 key that signs the list of what is in it (default: $BRAKEWATER_SIGNING_KEY, if any)",
    )
    replace_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where a run was left out or what was packed does not verify, 2 for words it cannot use."""
    from brakewater.cli.progress import Progress  # noqa: PLC0415 - only when needed
    from brakewater.record.case import pack  # noqa: PLC0415
    from brakewater.record.verify import verify  # noqa: PLC0415
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    if not args.output.name.endswith(_ENDING):
        print(f"brakewater pack: found {args.output.name}; allowed: a name ending in {_ENDING}", file=sys.stderr)
        return 2
    if is_taken(args, args.output):
        return 2
    if args.trip is not None and (args.since is not None or args.until is not None):
        print("brakewater pack: --trip gives the window; leave out --from and --to", file=sys.stderr)
        return 2
    signer = _signer(args.sign)
    record, (since, until) = opened(args.record), (args.since, args.until)
    if args.trip is not None:
        since, until = of_trip(record, args.trip)
    if is_backwards(since, until):
        print("brakewater pack: --from lies after --to", file=sys.stderr)
        return 2
    with Progress("packing") as progress:
        packed = pack(record, args.output, since, until, progress.tell, signer=signer)
    with Progress("checking") as progress:
        report = verify(args.output, tell=progress.tell)
    by = ", its list signed" if signer is not None else ""
    print(f"{args.output}: {counted(packed.runs, 'run')}, {packed.size:,} bytes, {report.verdict}{by}", file=sys.stderr)
    for lost in packed.left_out:
        print(f"LEFT OUT: {lost}", file=sys.stderr)
    for one in report.altered:
        print(f"altered: {one}; packed as it stands", file=sys.stderr)
    return 1 if report.altered or packed.left_out else 0


def _signer(file: Path | None) -> "Signer | None":
    """Of the file named, else of the environment.

    Raises:
        RigFileError: the key cannot be used.
    """
    from brakewater.errors import Fault, RigFileError, plainly  # noqa: PLC0415 - only when needed
    from brakewater.record.signing import Signer  # noqa: PLC0415
    from brakewater.settings import settings  # noqa: PLC0415

    if file is None:
        return settings(os.environ.get("CREDENTIALS_DIRECTORY")).signer()
    try:
        return Signer(file.read_text(encoding="ascii"))
    except (OSError, ValueError) as error:
        found = plainly(error) if isinstance(error, OSError) else "no Ed25519 private key in PEM"
        wanted = "what `openssl genpkey -algorithm ed25519` writes"
        raise RigFileError((Fault(file=str(file), line=0, key="--sign", found=found, allowed=wanted),)) from None
