"""The change of crew on one page: alarms standing or set aside, points by hand, settings, rounds, trips, notes.

Signing needs the running watch, which keeps it as a command in the record; who may stands in the rig file.
"""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brakewater.cli.places import is_taken, opened, replace_argument, replayed_to_its_end
from brakewater.cli.window import moment

if TYPE_CHECKING:
    from brakewater.record.reader import Record
    from brakewater.rig import Rig
    from brakewater.stream import Picture

_LOOK_BACK_NS = 48 * 3600 * 1_000_000_000
"""No trip is longer, and a run ends at midnight."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder or case file")
    parser.add_argument("--from", dest="since", type=moment, metavar="T", help="the tour's begin (default: the last"
                        " handover signed, else 12 h ago)")  # fmt: skip
    parser.add_argument("--by", metavar="NAME", help="sign: who hands the tour over")
    parser.add_argument("--to", metavar="NAME", help="sign: who takes it over")
    parser.add_argument("--remark", metavar="TEXT", help="beside the signature")
    parser.add_argument("--lang", metavar="CODE", help="en or es (default: the rig file's)")
    parser.add_argument("--units", choices=("us", "metric"), help="(default: the rig file's)")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE.html", help="write a page that prints")
    replace_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where part of the record cannot be read or the watch refuses, 2 for half a signature."""
    from brakewater.panel.shown import in_units  # noqa: PLC0415 - only when needed
    from brakewater.review.handover import begun_ns, handover_doc  # noqa: PLC0415
    from brakewater.review.manner import manner_of  # noqa: PLC0415
    from brakewater.wording import LANGUAGES  # noqa: PLC0415

    if (args.by is None) != (args.to is None):
        print("brakewater handover: --by and --to go together", file=sys.stderr)
        return 2
    if is_taken(args, args.output):
        return 2
    record = opened(args.record)
    rig, picture, damage = _newest(args.record, record)
    if args.lang is not None and args.lang not in LANGUAGES:
        print(f"brakewater handover: --lang {args.lang}; allowed: {', '.join(LANGUAGES)}", file=sys.stderr)
        return 2
    code = manner_of(rig, args.lang).code
    begun = begun_ns(record, picture.utc_ns) if args.since is None else args.since
    (trips, lost), words = _trips(record, begun), LANGUAGES[code]
    doc = handover_doc(in_units(rig, args.units), picture, record, begun, trips, words, (*damage, *lost))
    if args.output is not None:
        from brakewater.record.durable import appearing  # noqa: PLC0415
        from brakewater.review.handover_sheet import handover_sheet  # noqa: PLC0415

        with appearing(args.output) as part:
            part.write_text(handover_sheet(doc, words, code), encoding="utf-8")
    if args.json:
        print(json.dumps(doc))
    elif args.output is None:
        _show(doc, words.word("none"), words.word("signed"))
    signed = args.by is None or _sign(args, doc["from"])
    return 0 if signed and not doc["damaged"] else 1


def _newest(folder: Path, record: "Record") -> tuple["Rig", "Picture", tuple[str, ...]]:
    """From the running watch; where none runs, as the record says it was when it stopped, and what was not read.

    Raises:
        StorageError: nothing of the record can be run.
    """
    import asyncio  # noqa: PLC0415 - only when needed

    from brakewater.control import ask  # noqa: PLC0415
    from brakewater.errors import DeviceError  # noqa: PLC0415
    from brakewater.rig import parse  # noqa: PLC0415

    try:
        found = ask(folder, {"ask": "rig"}, holding="toml")
        return parse(found["toml"], found["file"]), asyncio.run(_first(folder)), ()
    except (DeviceError, OSError):
        engine, damage = replayed_to_its_end(record)
        return engine.rig, engine.picture(), damage


async def _first(folder: Path) -> "Picture":
    from brakewater.control import follow  # noqa: PLC0415 - only when needed
    from brakewater.live import picture_of  # noqa: PLC0415

    following = follow(folder)
    try:
        return picture_of(await anext(following))
    finally:
        await following.aclose()  # type: ignore[attr-defined]


def _trips(record: "Record", begun: int) -> tuple[tuple[Any, ...], list[str]]:
    """Trips that ended in the tour, whole, though one may have begun runs before it; and what could not be read."""
    from brakewater.review.trips import ledger  # noqa: PLC0415 - only when needed

    runs = [span.run for span in record.spans(begun - _LOOK_BACK_NS, None)]
    found = ledger(record, from_run=min(runs)) if runs else None
    if found is None:
        return (), []
    return tuple(one for one in found.lines if one.to_utc_ns >= begun), found.tally.damage


def _sign(args: argparse.Namespace, begun: str) -> bool:
    from brakewater.control import ask  # noqa: PLC0415 - only when needed

    asked = {"do": "hand-over", "by": args.by, "to": args.to, "from": begun}
    answer = ask(args.record, {**asked, **({"remark": args.remark} if args.remark else {})})
    print(answer["says"], file=sys.stderr)
    return bool(answer.get("ok"))


def _show(doc: dict[str, Any], none: str, signed: str) -> None:
    print(f"{doc['title']}: {doc['rig']}, {doc['pad']}\n{doc['tour']}")
    for one in [*doc["sections"], {"title": signed, "lines": doc["signed"]}]:
        print(f"\n{one['title']}")
        print("\n".join(f"  {line['text']}" for line in one["lines"]) or f"  {none}")
    for says in doc["damaged"]:
        print(says, file=sys.stderr)
    print(f"\n{doc['caution']}")
