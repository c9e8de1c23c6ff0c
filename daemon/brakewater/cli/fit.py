"""Refine the rotor's parameters from a record, with confidence intervals; or say that the record cannot tell."""

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from brakewater.cli.places import opened

if TYPE_CHECKING:
    from brakewater.review.fit import Fit

_MEANS = {
    "share": "part of the hoist's duty that the brake takes",
    "masses": "scale of surface and core",
    "lag": "scale of thermowell-lag",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("record", type=Path, metavar="RECORD", help="record folder or case file")
    parser.add_argument("--brake", metavar="NAME", help="default: the first of the record's first rig file")
    parser.add_argument("--plot", type=Path, metavar="FILE.svg", help="write the residuals as a picture")
    parser.add_argument("--json", action="store_true", help="print one object")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; 1 where the record cannot tell, whole or in part, or part of it is damaged."""
    from brakewater.review.fit import FitError, fit  # noqa: PLC0415 - only when needed
    from brakewater.review.residual_plot import residual_svg  # noqa: PLC0415

    damage: list[str] = []
    try:
        found = fit(opened(args.record), args.brake, damage)
    except FitError as error:
        print(json.dumps({"ok": False, "says": str(error)}) if args.json else f"cannot tell: {error}")
        return 1
    finally:
        for place in damage:
            print(f"damaged: {place}; fitted to what is whole", file=sys.stderr)
    if args.plot is not None:
        args.plot.write_text(residual_svg(found.residual_k), encoding="utf-8")
        print(f"{args.plot}: residuals", file=sys.stderr)
    _show(found, as_json=args.json)
    return 0 if all(one.told for one in found.parameters) and not damage else 1


def _show(found: "Fit", *, as_json: bool) -> None:
    from brakewater.units import counted  # noqa: PLC0415 - only when needed

    if as_json:
        rows = [{**asdict(one), "told": one.told} for one in found.parameters]
        document = {"ok": all(one.told for one in found.parameters), "brake": found.brake, "stands": found.stands}
        document |= {"stands_beyond": found.stands_beyond}
        print(json.dumps({**document, "parameters": rows, "rms_k": found.rms_k, "rms_before_k": found.rms_before_k}))
        return
    seen = f"{counted(found.stands, 'stand')}, {found.seconds} s"
    print(f"brake {found.brake}: {seen}; outlet off by {found.rms_k:.2f} K (rms)")
    if found.stands_beyond:
        later = counted(found.stands_beyond, "later stand")
        print(f"{later} of this record left out: so much time is fitted to at most; a case file of them has them alone")
    print(f"with what the rig file says it was off by {found.rms_before_k:.2f} K\n")
    for one in found.parameters:
        if one.told:
            print(f"{one.name:8} {one.value:6.3f}  ({one.low:.3f} to {one.high:.3f}, 95 %)   {_MEANS[one.name]}")
        else:
            print(f"{one.name:8} cannot tell from this record: anything from {one.low:.2g} to {one.high:.2g} fits")
    print("\nScales are of what the rig file says: multiply its values by them. Heavier stands tell more.")
    print(_outcome(found))


def _outcome(found: "Fit") -> str:
    """What was found and what not, which is what the exit status says."""
    told, open_ = ([one.name for one in found.parameters if one.told is is_told] for is_told in (True, False))
    parts = [f"found: {', '.join(told)}"] if told else ["found: nothing"]
    if open_:
        parts.append(f"not found: {', '.join(open_)}; leave there what the rig file says")
    return "; ".join(parts)
