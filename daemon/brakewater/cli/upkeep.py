"""The upkeep book: rounds due, parts, air gap, water, newest entries; CSV, calendar and printed sheets.

Entries are made with `brakewater do log-round` and `brakewater do change-part`, or on the panel's page /book.
"""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brakewater.cli.places import is_taken, record_argument, record_default, replace_argument

if TYPE_CHECKING:
    from collections.abc import Sequence

    from brakewater.rig import Rig


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument(
        "rig", nargs="?", metavar="RIG|RECORD", help="rig file (TOML), held against the record's; or a record folder or"
        " case file in place of --record. Without a rig file the record's own newest one is taken",
    )  # fmt: skip
    record_argument(parser)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--csv", action="store_true", help="every entry, as CSV")
    what.add_argument("--take", type=Path, metavar="FILE.csv", help="enter the rows of another book (round, done, ...)")
    what.add_argument("--calendar", action="store_true", help="due dates as an iCalendar file")
    what.add_argument("--sheet", metavar="ROUND", help="a round's sheet for a clipboard, as an HTML page")
    what.add_argument("--json", action="store_true", help="print one JSON document")
    parser.add_argument("--url", metavar="URL", help="with --sheet: the panel as a phone reaches it, for a QR code")
    parser.add_argument("--lang", metavar="CODE", help="with --sheet: en or es (default: the rig file's)")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write here instead of to standard output")
    replace_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where a round is overdue, a row was refused, or part of the record unread; 2 for two records."""
    from brakewater.review import book as books  # noqa: PLC0415 - only when needed
    from brakewater.rig import load  # noqa: PLC0415

    if is_taken(args, args.output):
        return 2
    if args.rig is not None and _is_record(Path(args.rig)):
        if args.record not in (record_default(), Path(args.rig)):
            print(f"brakewater upkeep: {args.rig} and --record {args.record}: give one record", file=sys.stderr)
            return 2
        args.record, args.rig = Path(args.rig), None
    rig = None if args.rig is None else load(args.rig)
    if args.csv:
        lost: list[str] = []
        _put(books.book_csv(args.record, lost), args.output)
        return _warned(lost)
    if args.take is not None:
        return _take(args)
    found, rig, damage = _book(args.record, rig)
    warned = _warned(damage)
    return _told(args, found, rig) or warned


def _warned(damage: "Sequence[str]") -> int:
    """Say what was not read; 1 where there is something."""
    for says in damage:
        print(f"damaged: {says}; the book is of what is whole", file=sys.stderr)
    return 1 if damage else 0


def _is_record(place: Path) -> bool:
    return place.is_dir() or place.suffix in (".zip", ".sqlite3")


def _told(args: argparse.Namespace, found: dict[str, Any], rig: "Rig") -> int:
    """Print or write what was asked for; 1 where a round is overdue."""
    from brakewater.review import book as books  # noqa: PLC0415 - only when needed
    from brakewater.review.manner import manner_of  # noqa: PLC0415

    if args.calendar:
        from time import time_ns  # noqa: PLC0415

        return _put(books.calendar(found, time_ns()), args.output)
    if args.sheet:
        url = f"{args.url.rstrip('/')}/book" if args.url else None
        manner = manner_of(rig, args.lang)
        return _put(books.sheet(found, args.sheet, url, manner.words, manner.code), args.output)
    if args.json:
        print(json.dumps(found))
    else:
        _show(found)
    return 1 if any(one["state"] == "overdue" for one in found["rounds"]) else 0


def _book(folder: Path, rig: "Rig | None") -> tuple[dict[str, Any], "Rig", tuple[str, ...]]:
    """From the running watch; where none runs, what the record says it was when it stopped.

    Args:
        folder: of the record.
        rig: whose record it has to be; None: the record's own newest rig file.

    Returns:
        The book, the rig, and what was not read.

    Raises:
        StorageError: no record, or no book in it.
    """
    from brakewater.book_shown import book_doc  # noqa: PLC0415 - only when needed
    from brakewater.cli.places import opened, replayed_to_its_end  # noqa: PLC0415
    from brakewater.control import ask  # noqa: PLC0415
    from brakewater.errors import DeviceError, StorageError  # noqa: PLC0415

    damage: tuple[str, ...] = ()
    try:
        found = ask(folder, {"ask": "book"})
        own = rig or _watched(folder)
    except DeviceError:
        engine, damage = replayed_to_its_end(opened(folder))
        book = engine.book()
        if book is None:
            raise StorageError(f"{folder}: the rig file of this record keeps no upkeep book") from None
        found, own = book_doc(engine.rig, book), engine.rig
    if found.get("ok") is False:
        raise StorageError(str(found["says"]))
    if rig is not None and found["rig"] != rig.name:
        raise StorageError(f"{folder} is the record of {found['rig']}, not of {rig.name}")
    return found, rig or own, damage


def _watched(folder: Path) -> "Rig":
    """What the running watch was given."""
    from brakewater.control import ask  # noqa: PLC0415 - only when needed
    from brakewater.rig import parse  # noqa: PLC0415

    found = ask(folder, {"ask": "rig"})
    return parse(found["toml"], found["file"])


def _take(args: argparse.Namespace) -> int:
    from brakewater.control import ask  # noqa: PLC0415 - only when needed
    from brakewater.review.book import from_csv  # noqa: PLC0415

    refused = 0
    asked = from_csv(args.take.read_text(encoding="utf-8-sig"), str(args.take))
    for one in asked:
        answer = ask(args.record, one)
        if not answer.get("ok"):
            refused += 1
            print(f"{one['round']} of {one['at']}: {answer['says']}", file=sys.stderr)
    print(f"{len(asked) - refused} of {len(asked)} rows entered", file=sys.stderr)
    return 1 if refused else 0


def _put(text: str, file: Path | None) -> int:
    if file is None:
        sys.stdout.write(text)
        return 0
    part = file.with_name(f"{file.name}.part")
    part.write_bytes(text.encode())
    part.replace(file)
    return 0


def _show(found: dict[str, Any]) -> None:
    from brakewater.book_text import health_lines, signed_lines  # noqa: PLC0415 - only when needed
    from brakewater.cli.tables import table  # noqa: PLC0415
    from brakewater.wording import ENGLISH  # noqa: PLC0415

    head = ("round", "brake", "state", "used up", "of its", "done (UTC)", "due at latest", "run since", "trips since")
    found = found | {"time_zone": "UTC"}  # as the table's, and as commands take times
    print(table(head, [_row(one) for one in found["rounds"]]))
    print()
    for line in health_lines(found, ENGLISH):
        print(line)
    print()
    for one in found["entries"][-8:]:
        print(f"entry {one['entry']}: {_entry(one)}")
    for line in signed_lines(found, ENGLISH):
        print(f"the book: {line}")


def _row(one: dict[str, Any]) -> tuple[str, ...]:
    done, due = (one["done"] or "never")[:16].replace("T", " "), (one["due"] or "no date")[:10]
    used, ran = f"{100 * one['share']:.0f} %", f"{one['running_s'] / 3600:.1f} h"
    return (one["round"], one["brake"], one["state"], used, one["by"], done, due, ran, str(one["trips"]))


def _entry(one: dict[str, Any]) -> str:
    said = f"{one['round']} done {one['done'][:16].replace('T', ' ')} by {one['actor']}"
    said += f", corrected by {one['corrected_by']}" if one["corrected_by"] else ""
    said += f", strikes out {one['corrects']}" if one["void"] else ""
    return said + (f": {one['remark']}" if one["remark"] else "")
