"""Run the engine over a record and show its alarms, as they were or as they would have been."""

import argparse
import json
import sys
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any

from brakewater import __version__
from brakewater.cli.places import opened
from brakewater.cli.window import is_backwards, moment, of_trip

if TYPE_CHECKING:
    from collections.abc import Iterable

    from brakewater.engine import Engine
    from brakewater.record.reader import Record
    from brakewater.review.replay import Comparison, Tally
    from brakewater.rig import Rig
    from brakewater.stream import Event, Input, Outcome


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder")
    parser.add_argument("--compare", action="store_true", help="hold the result against the recorded events")
    parser.add_argument("--fill", action="store_true", help="add the events to a simulator's record of inputs only")
    parser.add_argument("--trip", type=int, metavar="N", help="show only what fell into trip N of brakewater trips")
    parser.add_argument("--from", dest="since", type=moment, metavar="T", help="show from T on, in UTC")
    parser.add_argument("--to", dest="until", type=moment, metavar="T", help="show up to T, itself not included")
    parser.add_argument("--rig", metavar="OTHER", help="replay with this rig file instead of the recorded one")
    parser.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help="change one alarm's setting")
    parser.add_argument("--json", action="store_true", help="print events as JSON lines")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where the comparison finds a difference or the record is damaged."""
    from brakewater.engine import Engine  # noqa: PLC0415 - only when needed
    from brakewater.review.replay import Tally, compare, replayed  # noqa: PLC0415
    from brakewater.review.what_if import SettingError  # noqa: PLC0415
    from brakewater.stream import Block  # noqa: PLC0415
    from brakewater.units import counted  # noqa: PLC0415

    if (no := _contradiction(args)) is not None:
        print(f"brakewater replay: {no}", file=sys.stderr)
        return 2
    if args.fill:
        return _fill(args)
    record = opened(args.record)
    try:
        engine = Engine(instead=_instead(args, record))
    except SettingError as error:
        print(f"brakewater replay: {error}", file=sys.stderr)
        return 2
    _tell_rigs(args, record)
    tally = Tally()
    since, until = _shown_window(args, record)
    events: list[Event] = []
    overruling: list[str] = []
    began = perf_counter()
    for item, outcome in replayed(record, engine, tally):
        events += outcome.events
        overruling += _overruling(args, item, outcome)
        if not args.json and (isinstance(item, Block) or since <= item.utc_ns < until):
            _print_between(item, engine, outcome)
        for event in outcome.events:
            if since <= event.utc_ns < until:
                _print(event, engine.rig, as_json=args.json)
    rate = tally.scans / max(perf_counter() - began, 1e-9)
    comparison = compare(record, events, tally) if args.compare else None
    if not args.json and (args.since, args.until, args.trip) != (None, None, None):
        _print_standing((event for event in events if event.utc_ns < since), engine.rig)
        inside = sum(1 for event in events if since <= event.utc_ns < until)
        print(f"{counted(inside, 'event')} in this window; the whole record was replayed:")
    _close(tally, comparison, rate, as_json=args.json)
    altered = _altered(args.record, tally)
    _tell(tally, altered, compared=args.compare)
    for says in overruling:
        print(f"warning: {says}", file=sys.stderr)
    return 1 if tally.damage or altered or (comparison is not None and not comparison.identical) else 0


def _contradiction(args: argparse.Namespace) -> str | None:
    """Why the options cannot stand together."""
    window = args.since is not None or args.until is not None
    if args.trip is not None and window:
        return "--trip gives the window; leave out --from and --to"
    if is_backwards(args.since, args.until):
        return "--from lies after --to"
    if args.compare and (args.rig or args.set):
        return "--compare holds the record against itself; leave out --rig and --set"
    if args.fill and (args.compare or args.rig or args.set or window or args.trip is not None):
        return "--fill adds what the recorded rig file gives of the whole record; leave out all options but --json"
    return None


def _fill(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where it is no such record or cannot be written."""
    from brakewater.errors import StorageError  # noqa: PLC0415 - only when needed
    from brakewater.review.fill import fill  # noqa: PLC0415
    from brakewater.review.replay import Tally  # noqa: PLC0415
    from brakewater.units import counted  # noqa: PLC0415

    opened(args.record)
    tally, began = Tally(), perf_counter()
    try:
        fill(args.record, tally, lambda event, rig: _print(event, rig, as_json=args.json))
    except StorageError as error:
        print(f"brakewater replay: {error}", file=sys.stderr)
        return 1
    if args.json:
        _close(tally, None, tally.scans / max(perf_counter() - began, 1e-9), as_json=True)
    elif tally.events:
        print(f"{counted(tally.events, 'event')} added to {counted(tally.scans, 'scan')} of {args.record}")
    else:
        print(f"no alarm in {counted(tally.scans, 'scan')} of {args.record}, so that nothing is added")
    return 0


def _tell(tally: "Tally", altered: list[str], *, compared: bool) -> None:
    """Say where a run began otherwise, what was left out, and where the record is damaged or altered."""
    from brakewater.review.replay import drifts  # noqa: PLC0415 - only when needed

    for text in drifts(tally, altered=bool(altered)):
        print(text, file=sys.stderr)
    for text in () if compared else tally.past.left_out():
        print(f"left out: {text}; --rig asks what it would have done", file=sys.stderr)
    for place in tally.damage:
        print(f"damaged: {place}; replayed what is whole", file=sys.stderr)
    for place in altered:
        print(f"altered: {place}; replayed as it stands", file=sys.stderr)


def _shown_window(args: argparse.Namespace, record: "Record") -> tuple[int, int]:
    """What is shown, by wall time; everything before it is replayed all the same, so that states are right."""
    if args.trip is not None:
        return of_trip(record, args.trip)
    return args.since if args.since is not None else 0, args.until if args.until is not None else 2**63 - 1


def _print_between(item: "Input", engine: "Engine", outcome: "Outcome") -> None:
    """What is no alarm but belongs to the story: starts, notes, other commands, gaps."""
    from brakewater.cli.lines import between_line  # noqa: PLC0415

    line = between_line(item, engine.rig.name, outcome.answers)
    if line:
        print(line)


def _print_standing(before: "Iterable[Event]", rig: "Rig") -> None:
    from brakewater.cli.lines import moment as shown  # noqa: PLC0415 - only when needed
    from brakewater.render import alarm_name  # noqa: PLC0415
    from brakewater.review.standing import follow  # noqa: PLC0415
    from brakewater.units import utc_text  # noqa: PLC0415

    stood: dict[str, int] = {}
    for event in before:
        follow(stood, event)
    for key, t_ns in stood.items():
        says = f"stood already when this window begins: {alarm_name(rig, key)}"
        print(f"{shown(utc_text(t_ns))}  {'-':<8}  {says}")


def _altered(folder: Path, tally: "Tally") -> list[str]:
    """Where the record reads well, but is not what was written: a flipped bit in a scan shows only in the chain."""
    from brakewater.record.verify import verify  # noqa: PLC0415

    return [
        str(one)
        for one in verify(folder).altered
        if not any(one.file in place for place in tally.damage)  # said already
        and not (tally.damage and one.place == "meta")  # it only misses the end of the damaged run before
    ]


def _instead(args: argparse.Namespace, record: "Record") -> Any:
    from brakewater.review.what_if import asked_of, objections, with_settings  # noqa: PLC0415
    from brakewater.rig import load  # noqa: PLC0415

    if not args.rig and not args.set:
        return None
    changed, instead = (with_settings(load(args.rig), args.set), None) if args.rig else asked_of(record, args.set)
    for objection in objections(changed, args.set):
        print(f"warning: {objection}", file=sys.stderr)
    return instead or changed


def _overruling(args: argparse.Namespace, item: "Input", outcome: "Outcome") -> list[str]:
    """What a recorded command set that ``--set`` asks about."""
    from brakewater.review.what_if import overruled  # noqa: PLC0415 - only when needed
    from brakewater.stream import Command  # noqa: PLC0415

    no = overruled(args.set, item, outcome) if args.set and isinstance(item, Command) else None
    return [] if no is None else [str(no)]


def _tell_rigs(args: argparse.Namespace, record: "Record") -> None:
    """Say where a folder holds the runs of several rigs, so that nobody takes one's alarms for another's."""
    from brakewater.review.rigs import UNKNOWN, rigs_of  # noqa: PLC0415

    found = rigs_of(record)
    if len(found.keys() - {UNKNOWN}) > 1:
        names = "; ".join(f"{name}: run {', '.join(map(str, runs))}" for name, runs in found.items())
        how = "all of them are replayed as one rig" if args.rig else "each is replayed as its own"
        print(f"warning: {args.record} holds runs of several rigs ({names}); {how}", file=sys.stderr)


def _print(event: "Event", rig: "Rig", *, as_json: bool) -> None:
    from brakewater.cli.lines import event_line  # noqa: PLC0415
    from brakewater.record.documents import event_doc  # noqa: PLC0415
    from brakewater.render import event_shown  # noqa: PLC0415

    shown = event_shown(rig, event_doc(event))
    print(json.dumps(shown) if as_json else event_line(shown))


def _close(tally: "Tally", comparison: "Comparison | None", rate: float, *, as_json: bool) -> None:
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    found: dict[str, Any] = {
        "inputs": tally.inputs, "scans": tally.scans, "events": tally.events, "scans_per_s": round(rate)
    }  # fmt: skip
    if comparison is not None:
        found["identical"] = comparison.identical
        found["drifted"] = tally.drifted
        found["not_comparable"] = comparison.not_comparable
        found["differences"] = comparison.differences
        found["recorded_by"] = comparison.recorded_by
    if as_json:
        print(json.dumps(found))
        return
    print(f"{counted(tally.events, 'event')} from {counted(tally.scans, 'scan')}, {rate:,.0f} scans/s")
    if comparison is None:
        return
    for text in comparison.not_comparable:
        print(f"not comparable: {text}")
    for text in comparison.differences:
        print(f"different: {text}")
    if comparison.inputs_only:
        print("the record holds inputs only: there are no recorded events to compare with")
    else:
        print("identical to the recorded events" if comparison.identical else "NOT identical to the recorded events")
    for version, runs in comparison.recorded_by.items():
        print(f"run {', '.join(map(str, runs))}: recorded by version {version}, replayed by {__version__}")
