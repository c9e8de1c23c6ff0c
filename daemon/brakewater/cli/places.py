"""Where a running daemon's record is, for the commands that speak with it."""

import argparse
import os
from pathlib import Path

_DEFAULT = "/var/lib/brakewater"


def record_argument(parser: argparse.ArgumentParser) -> None:
    """``--record DIR`` with its default."""
    parser.add_argument(
        "--record",
        type=Path,
        default=Path(os.environ.get("BRAKEWATER_RECORD", _DEFAULT)),
        metavar="DIR",
        help="record folder of the running daemon (default: $BRAKEWATER_RECORD, else %(default)s)",
    )
