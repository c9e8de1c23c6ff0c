"""Find the trips in a record: stands, energy, peaks, limits exceeded, alarms."""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brakewater.cli.places import opened

if TYPE_CHECKING:
    from brakewater.review.outside import Hoisted
    from brakewater.review.samples import Sampled
    from brakewater.review.trips import TripLedger, TripLine

_K = 2.0
"""Expanded uncertainty, as everywhere."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder or case file")
    parser.add_argument(
        "--hoist", type=Path, metavar="CSV", help='another system\'s utc, "hook-load [klbf]", "block-position [m]"'
    )
    parser.add_argument("--offset", type=_offset, metavar="TIME", help="added to its times ('-12 s'); else proposed")
    parser.add_argument("--json", action="store_true", help="print one JSON document a trip, SI")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where part of the record is damaged or holds no scan."""
    from brakewater.review.replay import NO_SCAN  # noqa: PLC0415 - only when needed
    from brakewater.review.trips import examined  # noqa: PLC0415

    if args.offset is not None and args.hoist is None:
        print("brakewater trips: --offset goes with --hoist", file=sys.stderr)
        return 2
    told = examined(opened(args.record), _hoist(args))
    if told is None:
        print(f"brakewater trips: {args.record}: {NO_SCAN}", file=sys.stderr)
        return 1
    samples, found = told
    if args.json:
        for line in found.lines:
            print(json.dumps({"rig": found.rig.name, **document(line)}))
    else:
        _show(samples, found)
    for note in found.notes:
        print(note, file=sys.stderr)
    for place in found.tally.damage:
        print(f"damaged: {place}; trips found in what is whole", file=sys.stderr)
    return 1 if found.tally.damage else 0


def _offset(text: str) -> float:
    from brakewater.units import Dimension, UnitError, parse  # noqa: PLC0415 - numpy only when needed

    try:
        return parse(text, Dimension.TIME)
    except UnitError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _hoist(args: argparse.Namespace) -> "tuple[Hoisted, float | None] | None":
    from brakewater.review.outside import read  # noqa: PLC0415 - only when needed

    return None if args.hoist is None else (read(args.hoist), args.offset)


def document(line: "TripLine") -> dict[str, Any]:
    """One trip for machines: SI, times in UTC."""
    from brakewater.units import utc_text  # noqa: PLC0415 - only when needed

    fields = {name: getattr(line, name) for name in type(line).__slots__}
    begin, end = fields.pop("from_utc_ns"), fields.pop("to_utc_ns")
    fields["heat_peak_w"], fields["heat_mean_w"] = fields.pop("peak_heat_w"), fields.pop("mean_heat_w")
    torque = fields.pop("torque")
    fields |= {"torque_index": None, "torque_index_std": None, "torque_index_first": None, "torque_index_last": None}
    if torque is not None:
        fields |= {"torque_index": torque.index, "torque_index_std": torque.std}
        fields |= {"torque_index_first": torque.first, "torque_index_last": torque.last}
    fields["torque_verdict"] = None if torque is None else torque.verdict
    fields["direction"] = "in" if fields.pop("lowered") else "out"
    fields["alarms"] = [{"alarm": name, "times": count} for name, count in fields["alarms"]]
    fields["clock_stepped_s"] = line.stepped_s
    return {"trip": fields.pop("number"), "from": utc_text(begin), "to": utc_text(end), **fields}


def _show(samples: "Sampled", found: "TripLedger") -> None:
    from brakewater.cli.tables import table  # noqa: PLC0415 - only when needed
    from brakewater.units import utc_text  # noqa: PLC0415

    lines = found.lines
    if not lines:
        print("no trip found: at least three stands, as hook load and block position show them, make one")
        return
    head = ("trip", "brake", "way", "from (UTC)", "lasts", "stands", "a hour", "carried off", "mean", "peak", "margin")
    rows = [
        (
            str(line.number), line.brake, "in" if line.lowered else "out", utc_text(line.from_utc_ns)[:19],
            _lasting(line.lasts_s), str(line.stands), f"{line.stands_per_hour:.1f}",
            f"{line.energy_j / 1e6:.0f} +/- {_K * line.energy_std_j / 1e6:.0f} MJ", f"{line.mean_heat_w / 1e3:.0f} kW",
            f"{line.peak_heat_w / 1e3:.0f} kW", "" if line.worst_margin is None else f"{line.worst_margin:.2f}",
        )
        for line in lines
    ]  # fmt: skip
    print(table(head, rows))
    for line in lines:
        print(f"trip {line.number}: {'; '.join(_remarks(line, found.rig.units))}")
    _show_brakes(samples, found)


def _show_brakes(samples: "Sampled", ledger: "TripLedger") -> None:
    """Brake by brake since its newest part: what its trips say of it, and why, as ``study`` has it."""
    from brakewater.review.health import brake_lines, conditions  # noqa: PLC0415 - only when needed
    from brakewater.units import counted, utc_text  # noqa: PLC0415

    told = conditions(samples, ledger)
    for brake in dict.fromkeys(line.brake for line in ledger.lines):
        lines = ledger.since_change(brake)
        if brake in ledger.since_ns:
            print(f"brake {brake}: a part was changed at {utc_text(ledger.since_ns[brake])[:19]}, a new baseline:")
        for trips, says in brake_lines(told[brake], lines):
            of = f", {counted(trips, 'trip')}" if trips else ""
            print(f"brake {brake}{of}: {says}")


def _remarks(line: "TripLine", units: str) -> list[str]:
    from brakewater.units import Dimension, counted, shown  # noqa: PLC0415 - only when needed

    said = [f"found by the {'hook and block' if line.found_by == 'hoist' else 'heat alone'}"]
    if line.stepped_s:
        way = "forward" if line.stepped_s > 0 else "back"
        said.append(
            f"THE CLOCK WAS SET {way.upper()} in it by {_lasting(abs(line.stepped_s))}, all but its times is right"
        )
    if line.put_in_j is not None and line.put_in_std_j is not None and line.stored_j is not None:
        spread = _K * line.put_in_std_j / 1e6
        said.append(f"put in {line.put_in_j / 1e6:.0f} +/- {spread:.0f} MJ, of it stored {line.stored_j / 1e6:.0f}")
    if line.warmed_k is not None:
        value, unit = shown(line.warmed_k, Dimension.DIFFERENCE, units)
        said.append(f"water {'warmer' if value >= 0 else 'cooler'} by {abs(value):.1f} {unit}")
    if line.ton_miles is not None:
        said.append(f"{line.ton_miles:.1f} ton-miles")
    if line.pauses:
        said.append(f"{counted(line.pauses, 'pause')}, {_lasting(line.pauses_s)}")
    over = {"inlet over its limit": line.inlet_over_s, "outlet over its limit": line.outlet_over_s,
            "flow under its least": line.flow_under_s, "level over the bearing": line.level_over_s}  # fmt: skip
    said += [f"{what} {_lasting(seconds)}" for what, seconds in over.items() if seconds > 0.0]
    if line.known < 0.9995:
        said.append(f"heat known {line.known:.1%} of the time")
    said += [f"{name}{f' x {count}' if count > 1 else ''}" for name, count in line.alarms]
    return said


def _lasting(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"
