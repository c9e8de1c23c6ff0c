"""Before a trip: can this water carry this string at this pace, and which pace would keep every limit."""

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brakewater.cli.places import is_taken, replace_argument

if TYPE_CHECKING:
    from brakewater.review.planning import Limit, Meant, Planned
    from brakewater.rig import Rig

_STAND = "28.65 m"
"""Three joints; common practice, no published source."""
_SPEED = "1 m/s"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("rig", metavar="RIG", help="rig file (TOML): brake, limits, tank, block")
    string = parser.add_argument_group("the string, lowered: by depth, or by hook load and --stands")
    for flag, dimension, says in (
        ("--from", "LENGTH", "depth of the bit at the begin"),
        ("--to", "LENGTH", "depth of the bit at the end"),
        ("--pipe", "LINE_MASS", 'drill pipe with tool joints in air ("21 lb/ft")'),
        ("--collars", "MASS", "what the collars weigh more than pipe of their length"),
        ("--mud", "DENSITY", "default 1200 kg/m3"),
        ("--hook-load", "FORCE", "with the first stand, block and all"),
        ("--hook-load-end", "FORCE", "with the last stand; default the same"),
    ):
        string.add_argument(flag, type=_quantity(dimension), metavar="QUANTITY", help=says)
    string.add_argument("--stands", type=_positive, metavar="N", help="stands to lower")
    string.add_argument(
        "--stand", type=_quantity("LENGTH"), default=_STAND, metavar="QUANTITY", help=f"default {_STAND}"
    )
    how = parser.add_argument_group("how, and with which water")
    how.add_argument("--pace", type=_pace, required=True, metavar="N", help="stands an hour")
    how.add_argument(
        "--speed", type=_quantity("SPEED"), default=_SPEED, metavar="QUANTITY",
        help=f"of lowering, mean over a stand; default {_SPEED}",
    )  # fmt: skip
    how.add_argument(
        "--inlet", type=_quantity("TEMPERATURE"), required=True, metavar="QUANTITY", help="of the tank when it begins"
    )
    for flag, dimension, says in (
        ("--ambient", "TEMPERATURE", "of the air; default as the tank"),
        ("--flow", "FLOW", "default the brake's least flow"),
        ("--tank", "VOLUME", "water in the tank; default as the rig file says"),
        ("--loss", "CONDUCTANCE", "of the tank to the air, if known"),
        ("--other-heat", "POWER", "into the tank by others, the friction brake's rims, say; default the rig file's"),
        ("--class", "FLOW", "plan for a brake of another class, by its least flow"),
    ):
        how.add_argument(flag, type=_quantity(dimension), metavar="QUANTITY", help=says)
    how.add_argument(
        "--share", type=_share, default=1.0, metavar="PART",
        help="of the load that the brake takes, the friction brake has the rest; default 1",
    )  # fmt: skip
    parser.add_argument("--brake", metavar="NAME", help="default: the first")
    parser.add_argument("--html", type=Path, metavar="FILE.html", help="write a page with charts")
    replace_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one object, SI")


def _quantity(dimension: str) -> Callable[[str], float]:
    def read(text: str) -> float:
        from brakewater.units import Dimension, UnitError, parse  # noqa: PLC0415 - numpy only when needed

        try:
            value = parse(text, Dimension[dimension])
        except UnitError as error:
            raise argparse.ArgumentTypeError(str(error)) from None
        if dimension != "TEMPERATURE" and value <= 0.0 and not (dimension in ("LENGTH", "MASS") and value == 0.0):
            raise argparse.ArgumentTypeError(f"found {text!r}; allowed: above zero")
        return value

    return read


def _share(text: str) -> float:
    value = _quantity("NUMBER")(text)
    if value > 1.0:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: above 0 to 1, such as 0.8 or '80 %'")
    return value


def _pace(text: str) -> float:
    try:
        value = float(text.removesuffix("stands/h").strip())
    except ValueError:
        value = 0.0
    if not 0.1 <= value <= 120.0:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: stands an hour, 0.1 to 120")
    return value


def _positive(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 1000:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: 1 to 1000")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Exit status 0 where every limit is kept, 1 where not or not surely, 2 for arguments that make no plan."""
    from brakewater.review.plan_page import plan_page, sparkline  # noqa: PLC0415 - only when needed
    from brakewater.review.planning import PlanError, plan_trip  # noqa: PLC0415
    from brakewater.rig import load  # noqa: PLC0415

    if is_taken(args, args.html):
        return 2
    rig = load(args.rig)
    try:
        found = plan_trip(rig, args.brake, _meant(rig, args))
    except PlanError as error:
        print(f"brakewater plan: {error}", file=sys.stderr)
        return 2
    said = sentences(rig, found)
    if args.html is not None:
        from brakewater.record.durable import appearing  # noqa: PLC0415 - only when needed

        with appearing(args.html) as part:
            part.write_text(plan_page(rig, found, said), encoding="utf-8")
        print(f"{args.html}: the plan as a page", file=sys.stderr)
    if args.json:
        print(json.dumps(document(rig, found)))
    else:
        print("\n".join(said))
        plain = "utf" not in (sys.stdout.encoding or "").lower()
        print(f"\noutlet  {sparkline(found.outcome.course.outlet_degc, plain=plain)}")
        print(f"tank    {sparkline(found.outcome.course.tank_degc, plain=plain)}")
    return 0 if found.is_kept else 1


def _meant(rig: "Rig", args: argparse.Namespace) -> "Meant":
    from brakewater.review.planning import Meant, PlanError, hook_load_n  # noqa: PLC0415 - only when needed

    begin, end = getattr(args, "from"), args.to
    stand = args.stand
    if args.hook_load is not None and begin is None and end is None and args.pipe is None:
        if args.stands is None:
            raise PlanError("--hook-load needs --stands")
        first, stands = args.hook_load, args.stands
        last = args.hook_load if args.hook_load_end is None else args.hook_load_end
    elif args.hook_load is None and None not in (begin, end, args.pipe):
        if args.stands is not None or args.hook_load_end is not None:
            raise PlanError("with --from, --to and --pipe leave out --stands and --hook-load-end")
        stands = int((end - begin) / stand + 1e-9) if stand > 0.0 else 0
        if stands < 1:
            raise PlanError(f"--from, --to: found {end - begin:.1f} m to go; allowed: down, a stand or more")
        string = (args.pipe, args.collars or 0.0, args.mud or 1200.0)
        first, last = (hook_load_n(rig, depth, *string) for depth in (begin + stand, begin + stands * stand))
    else:
        raise PlanError("give --from, --to and --pipe, or --hook-load and --stands")
    return Meant(
        hook_first_n=first, hook_last_n=last, stands=stands, stand_m=stand, lowering_m_s=args.speed,
        per_hour=args.pace, tank_degc=args.inlet, ambient_degc=args.ambient, flow_m3_s=args.flow, tank_m3=args.tank,
        loss_w_k=args.loss, other_w=args.other_heat, share=args.share, class_m3_s=getattr(args, "class"),
    )  # fmt: skip


def document(rig: "Rig", found: "Planned") -> dict[str, Any]:
    """The plan for machines: SI."""
    plan, outcome = found.plan, found.outcome
    figures: dict[str, float | None] = {}
    for name, value in outcome.values.items():
        what, _, unit = name.rpartition("_")
        told = plan.rotor is not None or what != "rotor_peak"
        figures[name] = value if told else None
        figures[f"{what}_std_{'k' if unit == 'degc' else unit}"] = outcome.stds[name] if told else None
    return {
        "rig": rig.name, "brake": found.brake.name, "ok": found.is_kept, "stands": plan.stands,
        "stands_per_hour": 3600.0 / plan.cycle_s, "lasts_s": plan.stands * plan.cycle_s,
        "hook_load_first_n": plan.load_first_n, "hook_load_last_n": plan.load_last_n, "flow_m3_s": plan.flow_m3_s,
        "least_flow_m3_s": found.least_m3_s, "flow_needed_m3_s": found.needed_m3_s, **figures,
        "limits": [
            {"limit": one.name, "at": one.at, "value": one.value, "std": one.std, "verdict": one.verdict}
            for one in found.limits
        ],
        "stands_per_hour_kept": found.per_hour_kept, "lowering_m_s_kept": found.lowering_m_s_kept,
        "notes": list(found.notes),
    }  # fmt: skip


_TITLES = {
    "heat_peak_w": "put in, peak",
    "heat_mean_w": "put in, mean",
    "outlet_peak_degc": "outlet, peak",
    "rotor_peak_degc": "rotor, peak",
    "tank_peak_degc": "tank, warmest",
    "tank_end_degc": "tank at the end",
}
_VERDICTS = {"kept": "kept", "unsure": "not surely kept", "passed": "NOT KEPT"}


def sentences(rig: "Rig", found: "Planned") -> list[str]:
    """The plan for people, in the crew's units."""
    from brakewater.physics.uncertainty import COVERAGE  # noqa: PLC0415 - only when needed
    from brakewater.units import Dimension, counted, shown  # noqa: PLC0415

    plan, outcome = found.plan, found.outcome

    def flow(value: float) -> str:
        return "{:.0f} {}".format(*shown(value, Dimension.FLOW, rig.units))

    lasts_h = plan.stands * plan.cycle_s / 3600.0
    pace = f"{counted(plan.stands, 'stand')} at {3600.0 / plan.cycle_s:.3g} an hour, {lasts_h:.1f} h"
    said = [f"{pace}, with {flow(plan.flow_m3_s)} of {plan.kind.name}:"]
    for name, title in _TITLES.items():
        if name == "rotor_peak_degc" and plan.rotor is None:
            continue
        heat = name.endswith("_w")
        value, unit = shown(outcome.values[name], Dimension.POWER if heat else Dimension.TEMPERATURE, rig.units)
        spread, _ = shown(COVERAGE * outcome.stds[name], Dimension.POWER if heat else Dimension.DIFFERENCE, rig.units)
        said.append(f"  {title:16} {value:6.0f} +/- {max(1.0, spread):.0f} {unit}")
    said += [_of_limit(rig, one) for one in found.limits]
    needed = found.needed_m3_s
    if needed is None:
        said.append("No flow that this class of brake can have keeps the outlet below its limit.")
    else:
        said.append(
            f"Least flow: {flow(max(found.least_m3_s, needed))}"
            f" ({flow(needed)} for the outlet at this pace, {flow(found.least_m3_s)} by the maker)."
        )
    kept = found.per_hour_kept
    if kept is None:
        said.append(
            "No pace at this lowering speed keeps every limit: lower more slowly, or with more or cooler water."
        )
        if found.lowering_m_s_kept is not None:
            said.append(f"Lowered at {found.lowering_m_s_kept:.2g} m/s at most, this pace would keep them.")
    else:
        said.append(f"Up to {kept:.3g} stands an hour would keep every temperature limit, with its whole uncertainty.")
    return said + [f"Note: {note}." for note in found.notes]


def _of_limit(rig: "Rig", limit: "Limit") -> str:
    from brakewater.units import Dimension, shown  # noqa: PLC0415 - only when needed

    at, unit = shown(limit.at, Dimension.FLOW if limit.name == "flow" else Dimension.TEMPERATURE, rig.units)
    side = "at least" if limit.lowest else "at most"
    return f"  {limit.name + ' ' + side:16} {at:6.0f} {unit}: {_VERDICTS[limit.verdict]}"
