"""Where a record is, for the commands that read it or speak with the daemon that keeps it; and files they write."""

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from brakewater.engine import Engine
    from brakewater.record.reader import Record

_DEFAULT = "/var/lib/brakewater"


def record_argument(parser: argparse.ArgumentParser, *, again: bool = False) -> None:
    """``--record DIR`` with its default.

    Args:
        parser: gets the argument.
        again: a second place for it, behind a verb, which only counts where it is used.
    """
    parser.add_argument(
        "--record",
        type=folder,
        default=argparse.SUPPRESS if again else record_default(),
        metavar="DIR",
        help=f"record folder of the running daemon (default: $BRAKEWATER_RECORD, else {_DEFAULT})",
    )


def folder(text: str) -> Path:
    """A folder that is named: of nothing, as a variable without a value leaves it, the working directory would come.

    Raises:
        argparse.ArgumentTypeError: it is not.
    """
    if not text.strip():
        raise argparse.ArgumentTypeError("found nothing; allowed: the name of a folder")
    return Path(text)


def replace_argument(parser: argparse.ArgumentParser) -> None:
    """``--replace``, without which no command writes over a file."""
    parser.add_argument("--replace", action="store_true", help="FILE may be one that exists")


def is_taken(args: argparse.Namespace, *files: Path | None) -> bool:
    """Whether one of these files is there already and may not be replaced; says so.

    Args:
        args: of the command, with ``replace``.
        files: that it is about to write; None: it writes none.
    """
    for file in files:
        if file is not None and file.exists() and not args.replace:
            print(f"brakewater {args.command}: {file} exists; name another file, or say --replace", file=sys.stderr)
            return True
    return False


def record_default() -> Path:
    """Where a record is looked for that nobody names."""
    return Path(os.environ.get("BRAKEWATER_RECORD", _DEFAULT))


def opened(folder: Path) -> "Record":
    """The record in a folder or a case file.

    Raises:
        StorageError: there is none.
    """
    from brakewater.errors import StorageError  # noqa: PLC0415 - only when needed
    from brakewater.record.places import nothing_at  # noqa: PLC0415
    from brakewater.record.reader import Record  # noqa: PLC0415

    record = Record(folder)
    if not record.runs():
        raise StorageError(nothing_at(folder))
    return record


def replayed_to_its_end(record: "Record") -> "tuple[Engine, tuple[str, ...]]":
    """The engine as the record's last run left it, for those whom no daemon answers; and what could not be read.

    Raises:
        StorageError: the last run cannot be replayed: an engine without memory knows no rig and has no picture.
    """
    from brakewater.errors import StorageError  # noqa: PLC0415 - only when needed
    from brakewater.restart import restored  # noqa: PLC0415

    before = restored(record)
    if not before.snapshot:
        raise StorageError(f"{record.folder}: the last run cannot be replayed; brakewater verify says where")
    return before.engine, before.damage
