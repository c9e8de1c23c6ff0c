"""Prove one loop: inject known values, take as-found and as-left, and put the sheet into the record.

The sheet is printed, and with -o written as .html (one page that prints), .csv or .txt. A later change of the point's
address, type, order, signal, trim or sensor, or of its device's address, makes the proof void: brakewater points RIG
--proofs.
"""

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from brakewater.cli.loop_outcome import check_files, last, put, recorded, tell
from brakewater.cli.places import record_argument

if TYPE_CHECKING:
    from brakewater.review.loop_sheet import Sheet, Step
    from brakewater.rig import Point, Rig

_LEAST_SCANS: Final = 2
"""One reading cannot show whether the value still moves."""
_MOST_SCANS: Final = 1000
_LONGEST_MIN: Final = 480
_LONGEST_RECONNECT_S: Final = 3600
"""Nobody needs longer to connect a loop; an assumption."""
_WIDEST: Final = 0.1
"""Share of the range; a slip of the finger or the wrong unit lies beyond it; an assumption."""
_AT_ONCE: Final = "what is still injected counts as measured: connect the loop again at once"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    parser.add_argument("point", metavar="POINT", help="the point to prove")
    parser.add_argument("--points", type=_percents, default=(0.0, 25.0, 50.0, 75.0, 100.0), metavar="0,25,50,75,100")
    parser.add_argument("--down", action="store_true", help="go down again too, for hysteresis")
    parser.add_argument("--tolerance", default="0.5 %", metavar="T", help='"0.5 %%" of the span (default), or "1 degF"')
    parser.add_argument(
        "--range", nargs=2, metavar=("LOW", "HIGH"), help="values at 0 and 100 %% where the signal has none"
    )
    parser.add_argument("--injected", type=Path, metavar="FILE", help="CSV: injected, wait, part; without a terminal")
    parser.add_argument(
        "--instrument", default="", metavar="TEXT", help="what it is checked with, and its serial number"
    )
    parser.add_argument("--by", metavar="WHO", help="who checks (default: the user)")
    parser.add_argument("--scans", type=_scans, default=10, metavar="N", help="scans a step (default: 10)")
    parser.add_argument(
        "--minutes",
        type=_minutes,
        default=60.0,
        metavar="N",
        help="the function check ends after so long (default: 60)",
    )
    parser.add_argument(
        "--reconnect",
        default="0 s",
        metavar="T",
        help="with --injected: the function check goes on so long after the last row, to connect the loop again",
    )
    parser.add_argument(
        "--take-over", action="store_true", help="go on with a function check of this point that was left behind"
    )
    parser.add_argument(
        "--last", action="store_true", help="print the newest sheet of this point from the record again"
    )
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        action="append",
        default=[],
        metavar="FILE",
        help="write the sheet: .html, .csv, .txt",
    )
    parser.add_argument("--lang", metavar="CODE", help="of an .html sheet, en or es (default: the rig file's)")
    parser.add_argument("--json", action="store_true", help="print the sheet as one JSON document")
    record_argument(parser)


def _percents(text: str) -> tuple[float, ...]:
    try:
        found = tuple(float(one) for one in text.split(","))
    except ValueError:
        found = ()
    if not found or not all(-10 <= one <= 110 for one in found):
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: percentages with commas, -10 to 110")
    return found


def _scans(text: str) -> int:
    if not text.isdecimal() or not _LEAST_SCANS <= int(text) <= _MOST_SCANS:
        allowed = f"{_LEAST_SCANS} to {_MOST_SCANS}: one reading cannot show whether the value still moves"
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: {allowed}")
    return int(text)


def _minutes(text: str) -> float:
    if not text.isdecimal() or not 1 <= int(text) <= _LONGEST_MIN:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: whole minutes, 1 to {_LONGEST_MIN}")
    return float(text)


def run(args: argparse.Namespace) -> int:
    """Exit status 0 where the loop passes as left over enough of its range; else 1, also where its sheet is refused."""
    from brakewater.cli.expected import ExpectError  # noqa: PLC0415 - only when needed
    from brakewater.cli.loop_reader import StoppedError  # noqa: PLC0415
    from brakewater.review.manner import manner_of  # noqa: PLC0415
    from brakewater.rig import load  # noqa: PLC0415

    rig = load(args.rig)
    manner = manner_of(rig, args.lang)
    try:
        point = _point(rig, args.point)
        check_files(args.output)
        if args.last:
            sheet, damage = last(args.record, args.point)
            put(sheet, args.output, manner, as_json=args.json)
            for says in damage:
                tell(f"damaged: {says}; a newer sheet may be lost in it")
            return 0 if sheet.proves and not damage else 1
        sheet, ended = _checked(rig, point, args)
    except ExpectError as error:
        print(f"brakewater loopcheck: {error}", file=sys.stderr)
        return 2
    except (StoppedError, EOFError) as error:
        print(f"stopped; no sheet was recorded{error and f': {error}'}", file=sys.stderr)
        return 1
    try:
        put(sheet, args.output, manner, as_json=args.json)
        return 0 if recorded(sheet, args.record) and sheet.proves else 1
    finally:
        tell(ended)  # last, so that what is left to do for the crew is what stands on the screen


def _point(rig: "Rig", name: str) -> "Point":
    from brakewater.cli.expected import ExpectError  # noqa: PLC0415
    from brakewater.rig import SELF  # noqa: PLC0415
    from brakewater.rig.faults import choices  # noqa: PLC0415

    known = {point.name: point for point in rig.points if point.device != SELF}
    if name not in known:
        raise ExpectError(f"POINT: found {name!r}; allowed: {choices(name, list(known))}")
    return known[name]


def _checked(rig: "Rig", point: "Point", args: argparse.Namespace) -> "tuple[Sheet, str]":
    """The sheet, and what the watch said when the point was measured again."""
    from brakewater.cli.expected import ExpectError  # noqa: PLC0415
    from brakewater.cli.injected import loop_range, read_injections  # noqa: PLC0415
    from brakewater.cli.loop_reader import LoopReader, StoppedError  # noqa: PLC0415
    from brakewater.cli.loop_session import Session  # noqa: PLC0415
    from brakewater.cli.reach import reach  # noqa: PLC0415
    from brakewater.control import own_user  # noqa: PLC0415

    ends = loop_range(point, args.range)
    tolerance = _tolerance(point, args.tolerance, ends)
    listed = read_injections(args.injected, point, ends) if args.injected else None
    if listed is None and not sys.stdin.isatty():
        raise ExpectError("found no terminal; allowed: --injected FILE, a CSV of what is injected")
    reconnect_s = _reconnect_s(args)
    way = reach(rig, args.record)
    began = _now()
    try:
        tell(f"reading {point.name} through {way.through}; q ends without a sheet")
        if way.watches:
            tell("tell the driller first: what is injected raises real alarms while the brake is in service")
        else:
            tell(f"no watch on {args.record} is told; where one runs, give its --record, or it believes the injection")
        way.begin_check(point, args.by or own_user(), args.minutes, take_over=args.take_over)
        try:
            reader = LoopReader(rig, point, way, ends=ends, tolerance=tolerance, scans=args.scans, tell=tell)
            session = Session(reader=reader, ask=_ask, tell=tell, pause=_pause)
            steps, adjusted = (
                session.guided(_course(point, args)) if listed is None else session.listed(listed, reconnect_s)
            )
        except StoppedError:
            tell(way.end_check(point))
            raise
        except BaseException:
            tell(way.end_check(point))
            if way.watches:
                tell(_AT_ONCE)
            raise
        ended = way.end_check(point)
    finally:
        way.close()
    return _sheet(rig, point, args, (ends, tolerance, began), steps, adjusted=adjusted), ended


def _tolerance(point: "Point", text: str, ends: tuple[float, float]) -> float:
    from brakewater.cli.expected import ExpectError, difference, share  # noqa: PLC0415

    span = abs(ends[1] - ends[0])
    is_share = text.rstrip().endswith("%")
    found = share(text, "--tolerance") * span if is_share else difference(point, text, "--tolerance")
    if found > _WIDEST * span * (1 + 1e-9):
        raise ExpectError(
            f"--tolerance: found {text!r}, {100 * found / span:.0f} % of the range; allowed: at most"
            f" {100 * _WIDEST:.0f} % of it, or a loop that is wrong would count as proved"
        )
    return found


def _reconnect_s(args: argparse.Namespace) -> float:
    from brakewater.cli.expected import ExpectError  # noqa: PLC0415
    from brakewater.units import Dimension, UnitError, parse  # noqa: PLC0415

    try:
        found = parse(args.reconnect, Dimension.TIME)
    except UnitError as error:
        raise ExpectError(f"--reconnect: {error}") from error
    if not 0 <= found <= _LONGEST_RECONNECT_S:
        raise ExpectError(f"--reconnect: found {args.reconnect!r}; allowed: 0 s to {_LONGEST_RECONNECT_S // 60} min")
    return found


def _course(point: "Point", args: argparse.Namespace) -> tuple[float, ...]:
    """Percentages in order; a contact knows only off and on."""
    from brakewater.signals.convert import Bit  # noqa: PLC0415

    up = tuple(args.points)
    if isinstance(point.signal, Bit):
        up = (0.0, 100.0)
    return (*up, *up[-2::-1]) if args.down else up


def _ask(prompt: str) -> str:
    return input(prompt)


def _pause(seconds: float) -> None:
    time.sleep(seconds)


def _now() -> str:
    from brakewater.units import utc_text  # noqa: PLC0415

    return utc_text(time.time_ns())


def _sheet(
    rig: "Rig",
    point: "Point",
    args: argparse.Namespace,
    frame: tuple[tuple[float, float], float, str],
    steps: "list[Step]",
    *,
    adjusted: bool,
) -> "Sheet":
    from brakewater.cli.signal_text import signal_text  # noqa: PLC0415
    from brakewater.control import own_user  # noqa: PLC0415
    from brakewater.field import spans  # noqa: PLC0415
    from brakewater.field.seen import unit_of  # noqa: PLC0415
    from brakewater.review.loop_sheet import Sheet  # noqa: PLC0415
    from brakewater.review.proofs import proof_hash  # noqa: PLC0415
    from brakewater.units import UNITS  # noqa: PLC0415

    (low, high), tolerance, began = frame
    device = next(one for one in rig.devices if one.name == point.device)
    unit = unit_of(point, rig.units)
    scale = UNITS[unit] if unit else UNITS["1"]
    where = f"{point.table.value} {point.address}, {point.register.kind.value}"
    sensor = f", sensor {point.serial}" if point.serial else ""
    least, most = spans.reached(point, rig) or (0.0, 0.0)
    return Sheet(
        point=point.name, rig=rig.name, definition=proof_hash(point, device),
        place=f"{device.name} at {device.line}, unit {device.unit}, {where}",
        signal=signal_text(point, rig.units) + sensor, unit=unit, factor=scale.factor, offset=scale.offset,
        low=low, high=high, tolerance=tolerance, by=args.by or own_user(), instrument=args.instrument, began=began,
        scans=args.scans, adjusted=adjusted, steps=tuple(steps), line=device.line, serial=point.serial or "",
        asks_settled=True, reached=most - least,
    )  # fmt: skip
