"""Seal what is closed, then trim what is over age or size. Runs at the lowest priority; may be killed at any time."""

import argparse
import logging
import os
import sys
from pathlib import Path

from brakewater.errors import BrakewaterError
from brakewater.log import LogFormat, begin
from brakewater.record.sealing.due import seal_due
from brakewater.record.sealing.trim import Limits, trim

_IDLE_CLASS = 3 << 13
_IOPRIO_SET = {"x86_64": 251, "aarch64": 30, "armv7l": 314, "riscv64": 30}
"""Number of the system call ``ioprio_set`` by machine."""


def _step_back() -> None:
    """Give everything else the right of way, at the processor and at the disk."""
    os.nice(19)
    number = _IOPRIO_SET.get(os.uname().machine)
    if number is None:
        return
    import ctypes  # noqa: PLC0415 - only here

    ctypes.CDLL(None, use_errno=True).syscall(number, 1, 0, _IDLE_CLASS)  # where it is refused, nice will do


def main(argv: list[str] | None = None) -> int:
    """Exit status 0, or 1 where a segment had to stay as it is."""
    parser = argparse.ArgumentParser(prog="python -m brakewater.record.sealing", description=(__doc__ or "").strip())
    parser.add_argument("folder", type=Path, metavar="RECORD", help="record folder")
    parser.add_argument("--values", action="store_true", help="keep full-rate values beside the raw words")
    parser.add_argument("--keep-ns", type=int, metavar="N", help="delete segments older than this; default: none")
    parser.add_argument("--keep-bytes", type=int, metavar="N", help="delete the oldest beyond this; default: none")
    args = parser.parse_args(argv)
    begin(LogFormat.AUTO, head="sealing: ")
    _step_back()
    try:
        failed = seal_due(args.folder, values=args.values)
        trim(args.folder, Limits(age_ns=args.keep_ns, size=args.keep_bytes))
    except (BrakewaterError, OSError) as error:
        logging.getLogger(__name__).error("%s", error)  # noqa: TRY400 - whoever runs it has no use for our calls
        return 1
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
