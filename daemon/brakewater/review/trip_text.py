"""A trip in sentences."""

from collections.abc import Iterator

from brakewater.physics.uncertainty import COVERAGE
from brakewater.record.report import Report
from brakewater.review.torque import trend
from brakewater.review.trips import TripLine
from brakewater.units import Dimension, shown, utc_text


def summary(line: TripLine) -> list[str]:
    """A trip in plain sentences."""
    way = "lowering" if line.lowered else "pulling out"
    over = {
        "the inlet was above its limit": line.inlet_over_s,
        "the outlet was above its limit": line.outlet_over_s,
        "the flow was below the least": line.flow_under_s,
        "the level was above the bearing": line.level_over_s,
    }
    passed = [f"{what} for {seconds:.0f} s" for what, seconds in over.items() if seconds > 0]
    raised = ", ".join(f"{name} ({count} times)" if count > 1 else name for name, count in line.alarms)
    sentences = [
        (
            f"{way.capitalize()} from {utc_text(line.from_utc_ns)[:19]} to {utc_text(line.to_utc_ns)[:19]}:"
            f" {line.stands} stands in {line.lasts_s / 60:.0f} min, {line.stands_per_hour:.1f} an hour."
        ),
        (
            f"The water carried off {line.energy_j / 1e6:.0f} +/- {COVERAGE * line.energy_std_j / 1e6:.0f} MJ (k = 2),"
            f" on average {line.mean_heat_w / 1e3:.0f} kW, at most {line.peak_heat_w / 1e3:.0f} kW; the heat was known"
            f" for {100 * line.known:.0f} % of the time."
        ),
        f"Limits: {'; '.join(passed)}." if passed else "No limit was passed while values were known.",
        f"Alarms raised, by replay: {raised}." if raised else "No alarm was raised, by replay.",
    ]
    if line.worst_margin is not None:
        sentences.insert(2, f"The least cooling margin was {line.worst_margin:.2f}.")
    return sentences


def integrity(found: Report) -> list[str]:
    """What ``verify`` says, and what that proves."""
    proves = {
        "consistent": "it fits together; who could write it anew is not excluded without a key or outside heads",
        "signed": "it fits together and a trusted key has signed it",
        "anchored": "it fits together and matches heads kept outside",
        "broken": "it is not what was written",
    }
    return [
        (
            f"Verified: {found.verdict}, that is: {proves[found.verdict]}."
            f" {found.inputs} inputs, {found.events} events, {len(found.gaps)} gaps."
        ),
        *(f"Altered: {one}." for one in found.altered),
    ]


def balance(line: TripLine, units: str) -> list[tuple[str, str]]:
    """Where the heat went: what, and how much with its uncertainty (k = 2); only what can be told.

    Args:
        line: the trip.
        units: of the crew.
    """
    return list(_balance(line, units))


def _balance(line: TripLine, units: str) -> Iterator[tuple[str, str]]:
    yield (
        "Carried off by the water, with ten minutes after the last stand",
        _megajoules(line.energy_j, line.energy_std_j),
    )
    if line.stored_j is not None and line.put_in_j is not None and line.put_in_std_j is not None:
        yield "Stored in rotor and housing, by the model", f"{line.stored_j / 1e6:.0f} MJ"
        yield "Put in: both, with an allowance for the air", _megajoules(line.put_in_j, line.put_in_std_j)
    else:
        yield "Put in", "cannot be told: the rig file describes no rotor"
    yield "Mean heat load", f"{line.mean_heat_w / 1e3:.0f} kW"
    yield "Highest heat load, mean of ten seconds", f"{line.peak_heat_w / 1e3:.0f} kW"
    if line.outlet_max_degc is not None:
        yield "Highest outlet", _in(line.outlet_max_degc, Dimension.TEMPERATURE, units)
    if line.flow_min_m3_s is not None:
        yield "Least flow", _in(line.flow_min_m3_s, Dimension.FLOW, units)
    if line.warmed_k is not None:
        yield "Water warmer at the end by", _in(line.warmed_k, Dimension.DIFFERENCE, units)
    if line.ton_miles is not None:
        yield "Work of the line", f"{line.ton_miles:.1f} ton-miles"
    yield "Heat known", f"{line.known:.1%} of the time"


def _megajoules(value: float, std: float) -> str:
    return f"{value / 1e6:.0f} +/- {COVERAGE * std / 1e6:.0f} MJ"


def _in(value: float, dimension: Dimension, units: str) -> str:
    number, unit = shown(value, dimension, units)
    return f"{number:.1f} {unit}"


def trip_figures(line: TripLine, units: str) -> dict[str, str]:
    """What two trips are compared by, in the crew's units; ``--`` where it is not known."""
    minutes = round(line.lasts_s / 60)
    outlet, flow, margin = line.outlet_max_degc, line.flow_min_m3_s, line.worst_margin
    return {
        "lasts": f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min",
        "stands": str(line.stands),
        "pace": f"{line.stands_per_hour:.1f}",
        "energy": _megajoules(line.energy_j, line.energy_std_j).replace("+/-", "\u00b1"),
        "mean": f"{round(line.mean_heat_w / 1e3)} kW",
        "peak": f"{round(line.peak_heat_w / 1e3)} kW",
        "outlet": "--" if outlet is None else _in(outlet, Dimension.TEMPERATURE, units),
        "flow": "--" if flow is None else _in(flow, Dimension.FLOW, units),
        "margin": "--" if margin is None else f"{margin:.2f}",
        "alarms": str(sum(count for _, count in line.alarms)),
    }


def health(line: TripLine) -> str:
    """What the torque says of the brake in this trip."""
    if line.torque is None:
        return (
            "Torque: cannot be told; it needs hook load, block, drum speed, coil current, torque in the rig file,"
            " and two stands lowered."
        )
    return f"Torque of this trip: {trend([line.torque])}."
