"""Read points live: raw words, the four orders side by side, value and reason; ranks wiring mistakes. Only reads.

With --expect the tech says what is true at this moment, and the usual mistakes are ranked by how well they explain what
is read. Two levels tell nearly all of them apart: give --expect twice for one point (the command waits in between), or
run it once a level with --levels FILE, which keeps what was read.
"""

import argparse
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from brakewater.cli.places import record_argument

if TYPE_CHECKING:
    from brakewater.cli.reach import Reach
    from brakewater.field.hypothesis import Cells
    from brakewater.field.seen import Seen
    from brakewater.field.suspects import Ranking
    from brakewater.rig import Point, Rig

_FASTEST_S: Final = 0.25
_LOOKS: Final = 4
_LOOK_S = 0.3
"""Together a second: what moves more slowly than its tolerance in that time is still enough."""
_MORE_LOOKS: Final = 30
"""Of a signal that moves, some ten seconds: at the turn of a wave a second shows little of it."""
_LAST_UNIT: Final = 255


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    parser.add_argument("--point", action="append", default=[], metavar="P", help="only this point; may be repeated")
    parser.add_argument(
        "--expect", action="append", default=[], metavar="[P=]VALUE", help='what is true now: aux-inlet="84 degF"'
    )
    parser.add_argument("--levels", type=Path, metavar="FILE", help="keep the levels in this file, and rank over all")
    parser.add_argument(
        "--tolerance", metavar="T", help='how exactly VALUE is known: "0.5 %%" of the range, or "1 degF"'
    )
    parser.add_argument("--units", type=_units, default=(), metavar="A-B", help="try these unit numbers too: 1-10")
    parser.add_argument("--once", action="store_true", help="print one table and end")
    parser.add_argument("--json", action="store_true", help="with --once or --expect: print a JSON line a point")
    record_argument(parser)


def _units(text: str) -> tuple[int, ...]:
    first, _, last = text.partition("-")
    if not first.isdecimal() or not (last or first).isdecimal() or not int(first) <= int(last or first) <= _LAST_UNIT:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: A-B, for example 1-10, at most {_LAST_UNIT}")
    return tuple(range(int(first), int(last or first) + 1))


def run(args: argparse.Namespace) -> int:
    """Exit status 0 where every point reads well and, where something is expected, is as written; else 1."""
    from brakewater.cli.expected import ExpectError, expectations  # noqa: PLC0415 - only when needed
    from brakewater.cli.reach import reach  # noqa: PLC0415
    from brakewater.rig import load  # noqa: PLC0415

    rig = load(args.rig)
    try:
        points = _points(rig, args.point)
        wanted, left_out = expectations(points, args.expect, args.tolerance, alone=len(args.point) == 1)
        _check_waits(wanted)
    except ExpectError as error:
        print(f"brakewater probe: {error}", file=sys.stderr)
        return 2
    way = reach(rig, args.record)
    try:
        print(f"reading through {way.through}; nothing is ever written", file=sys.stderr)
        for why in left_out.values():
            print(f"brakewater probe: {why}; it is left out", file=sys.stderr)
        if wanted:
            return max(_rank(rig, way, points, wanted, args), 1 if left_out else 0)
        if args.once or args.json or not sys.stdout.isatty():
            return _once(rig, way.scan(points), {}, as_json=args.json)
        return _live(rig, way, points)
    finally:
        way.close()


def _points(rig: "Rig", names: Sequence[str]) -> "list[Point]":
    from brakewater.cli.expected import ExpectError  # noqa: PLC0415
    from brakewater.rig import SELF  # noqa: PLC0415
    from brakewater.rig.faults import choices, near  # noqa: PLC0415

    known = {point.name: point for point in rig.points if point.device != SELF}
    for name in names:
        if name not in known:
            hint = near(name, known)
            raise ExpectError(f"--point: found {name!r}; allowed: {choices(name, list(known))}{hint and f' ({hint})'}")
    return [point for name, point in known.items() if not names or name in names]


def _check_waits(wanted: "Sequence[Any]") -> None:
    from brakewater.cli.expected import ExpectError  # noqa: PLC0415

    if len(wanted) > 1 and not sys.stdin.isatty():
        raise ExpectError(
            "found two levels of one point and no terminal to wait at; allowed: one --expect a run, with --levels FILE"
        )


# ---- one table


def _once(rig: "Rig", seen: "Sequence[Seen]", ranked: "dict[str, Ranking]", *, as_json: bool) -> int:
    from brakewater.cli.expected import moved_shown, ranking_lines, suspects_document  # noqa: PLC0415
    from brakewater.cli.probe_table import other_order, plain_table  # noqa: PLC0415
    from brakewater.field.seen import document  # noqa: PLC0415
    from brakewater.quality import Quality, quality  # noqa: PLC0415

    if as_json:
        for one in seen:
            found = ranked.get(one.point.name)
            suspects = suspects_document(found, one.point, rig.units) if found else []
            line = document(one, rig.units, suspects)
            if found:
                line |= {"verdict": found.verdict, "moved": moved_shown(found, one.point, rig.units)}
            print(json.dumps(line))
    else:
        print(plain_table(rig, seen))
        for name, found in ranked.items():
            point = next(one.point for one in seen if one.point.name == name)
            print("\n" + "\n".join(ranking_lines(found, point, rig.units)))
    unwell = any(quality(one.value[1]) is Quality.BAD or other_order(rig, one) for one in seen)
    return 1 if unwell or any(found.verdict != "as-written" for found in ranked.values()) else 0


# ---- what is known to be true


def _rank(
    rig: "Rig", way: "Reach", points: "Sequence[Point]", wanted: "Sequence[Any]", args: argparse.Namespace
) -> int:
    from brakewater.cli.expected import Levels  # noqa: PLC0415

    levels = Levels(rig, args.levels, args.units)
    for number, level in enumerate(wanted):
        if number:
            input(f"now bring {level.says} about, then press Enter: ")
        for name, expected in level.values.items():
            point = next(one for one in points if one.name == name)
            looks = [_around(way, point, args.units), *_more_looks(way, point, _LOOKS - 1)]
            if levels.moves(point, expected, level.tolerances.get(name), looks):
                print(f"{name} moves: it is looked at for {_MORE_LOOKS * _LOOK_S:.0f} s more", file=sys.stderr)
                looks += _more_looks(way, point, _MORE_LOOKS)
            levels.add(point, expected, looks)
    levels.keep()
    tested = [point for point in points if point.name in levels.names]
    ranked = {point.name: levels.ranking(point, wanted[-1].tolerances.get(point.name)) for point in tested}
    return _once(rig, way.scan(tested), ranked, as_json=args.json)


def _more_looks(way: "Reach", point: "Point", count: int) -> "list[Cells]":
    """What stands around a point a little later: a signal may move."""
    found = []
    for _ in range(count):
        time.sleep(_LOOK_S)
        found.append(_around(way, point, ()))  # no other unit is asked again: one that is not there costs time
    return found


def _around(way: "Reach", point: "Point", units: Sequence[int]) -> "Cells":
    """What stands around a point; where nothing answers, no mistake of the rig file can be ranked."""
    from brakewater.errors import DeviceError  # noqa: PLC0415
    from brakewater.field.seen import meaning  # noqa: PLC0415

    cells = way.around(point, units)
    if not any(cells.values()):
        (seen,) = way.scan([point])
        raise DeviceError(
            f"{point.name}: nothing could be read around it from {point.device}, asked several times, neither here nor"
            f" in the other table: {meaning(seen)} Mend that first, then --expect again"
        )
    return cells


# ---- live


def _live(rig: "Rig", way: "Reach", points: "Sequence[Point]") -> int:
    from rich.console import Console  # noqa: PLC0415
    from rich.live import Live  # noqa: PLC0415

    from brakewater.cli.probe_table import rich_table  # noqa: PLC0415

    every_s = max(_FASTEST_S, rig.scan_ns / 1e9)
    try:
        with Live(rich_table(rig, way.scan(points)), console=Console(), auto_refresh=False) as live:
            while True:
                began = time.monotonic()
                live.update(rich_table(rig, way.scan(points)), refresh=True)
                time.sleep(max(0.0, every_s - (time.monotonic() - began)))
    except KeyboardInterrupt:
        return 0
