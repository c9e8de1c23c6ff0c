"""Trips, alarms, health of the brakes and what-if over many records, by several processes, as one page."""

import argparse
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brakewater.cli.places import is_taken, replace_argument

if TYPE_CHECKING:
    from brakewater.wording import Wording


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument(
        "records", nargs="+", metavar="RECORD", help="record folders or case files; also s3://..., https://..."
    )
    parser.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help="change one alarm's setting")
    parser.add_argument("--workers", type=_count, metavar="N", help="processes; default one a processor")
    parser.add_argument("--cluster", metavar="ADDRESS", help="of a Dask scheduler whose workers do it: tcp://HOST:8786")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE.html", help="write one page, too")
    parser.add_argument(
        "--lang", metavar="CODE", help="en or es (default: of the page the first rig file's; in the terminal English)"
    )
    replace_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON document, SI")


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: 1 and more")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where a record could not be studied or is damaged."""
    from brakewater.cli.progress import Progress  # noqa: PLC0415 - only when needed
    from brakewater.review.study import study  # noqa: PLC0415
    from brakewater.review.study_page import study_page  # noqa: PLC0415
    from brakewater.wording import LANGUAGES  # noqa: PLC0415

    if is_taken(args, args.output):
        return 2
    if args.lang is not None and args.lang not in LANGUAGES:
        print(f"brakewater study: --lang {args.lang}; allowed: {', '.join(LANGUAGES)}", file=sys.stderr)
        return 2
    with Progress("studying") as progress:
        rows = study(args.records, args.set, args.workers or os.cpu_count() or 1, args.cluster, progress.tell)
    if args.output is not None:
        part = args.output.with_name(f"{args.output.name}.part")
        code = args.lang or next((row["language"] for row in rows if "error" not in row), "en")
        part.write_text(study_page(rows, args.set, code), encoding="utf-8")
        part.replace(args.output)
    if args.json:
        print(json.dumps({"records": rows, "set": args.set}))
    else:
        _show(rows, LANGUAGES[args.lang or "en"])
    for row in rows:
        for says in [row["error"]] if "error" in row else row["damage"]:
            print(f"brakewater study: {row['record']}: {says}", file=sys.stderr)
    return 1 if any("error" in row or row["damage"] for row in rows) else 0


def _show(rows: list[dict[str, Any]], words: "Wording") -> None:
    from brakewater.cli.tables import table  # noqa: PLC0415 - only when needed
    from brakewater.review.study_page import alarm_load, alarm_named, finding_lines  # noqa: PLC0415

    good = [row for row in rows if "error" not in row]
    shown = [
        (
            row["record"], row["rig"], str(row["trips"]["count"]), f"{row['trips']['energy_j'] / 1e6:.0f} MJ",
            "" if row["trips"]["worst_margin"] is None else f"{row['trips']['worst_margin']:.2f}",
            alarm_load(row["alarms"], words),
            ", ".join(f"{name} {_share(one, words)}" for name, one in row["brakes"].items()),
            ", ".join(f"{name} {_state(one['condition'], words)}" for name, one in row["brakes"].items()),
        )
        for row in good
    ]  # fmt: skip
    if shown:
        head = ("record", "rig", "trips", "carried", "margin", "per-day", "share-in", "condition")
        print(table([words.word(f"study-head-{one}") for one in head], shown))
        if any(one["heat_share_median"] is not None for row in good for one in row["brakes"].values()):
            print(words.word("study-share-means"))
    for row in good:
        for name, one in row["brakes"].items():
            for line in finding_lines(one, words):
                print(f"{row['record']}: {words.word('brake-name', brake=name)}: {line}")
    for row in good:
        for alarm, one in row.get("what_if", {}).items():
            said = words.word("study-changed", alarm=alarm_named(alarm, words), n=one["is"], other=one["would_be"])
            print(f"{row['record']}: {said}")
        for says in row.get("overruled", ()):
            print(f"{row['record']}: {says}")


def _state(condition: str, words: "Wording") -> str:
    said = words.word(f"study-state-{condition}")
    return said.upper() if condition == "weakening" else said


def _share(one: dict[str, Any], words: "Wording") -> str:
    if one["heat_share_median"] is None:
        return words.word("study-unknown")
    share, change = f"{one['heat_share_median']:.0%}", one["trend_per_trip"]
    return share if change is None else words.word("study-a-trip", share=share, change=f"{change:+.2%}")
