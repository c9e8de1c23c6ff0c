"""A trip in sentences."""

from collections.abc import Iterator

from brakewater.physics.uncertainty import COVERAGE
from brakewater.record.report import Report
from brakewater.render import alarm_name
from brakewater.review.torque import trend
from brakewater.review.trips import TripLine
from brakewater.rig import Rig
from brakewater.units import Dimension, shown
from brakewater.wording import ENGLISH, Wording
from brakewater.zoned import second


def summary(line: TripLine, rig: Rig, words: Wording = ENGLISH) -> list[str]:
    """A trip in plain sentences; ``rig`` names its alarms and the zone of its times."""
    sentences = [
        words.word(
            "trip-told",
            way=words.word("trip-lowering" if line.lowered else "trip-pulling"),
            begin=second(line.from_utc_ns, rig.time_zone),
            end=second(line.to_utc_ns, rig.time_zone),
            zone=rig.time_zone,
            stands=line.stands,
            minutes=f"{line.lasts_s / 60:.0f}",
            pace=f"{line.stands_per_hour:.1f}",
        ),
        words.word(
            "trip-heat",
            heat=f"{line.energy_j / 1e6:.0f} \u00b1 {COVERAGE * line.energy_std_j / 1e6:.0f}",
            mean=f"{line.mean_heat_w / 1e3:.0f}",
            peak=f"{line.peak_heat_w / 1e3:.0f}",
            known=f"{100 * line.known:.0f}",
        ),
    ]
    if line.stepped_s:
        way = "clock-set-on" if line.stepped_s > 0 else "clock-set-back"
        sentences.append(words.word(way, seconds=f"{abs(line.stepped_s):.0f}"))
    if line.worst_margin is not None:
        sentences.append(words.word("trip-margin", margin=f"{line.worst_margin:.2f}"))
    return [*sentences, _limits(line, words), _raised(line, rig, words)]


def _limits(line: TripLine, words: Wording) -> str:
    over = {
        "trip-over-inlet": line.inlet_over_s,
        "trip-over-outlet": line.outlet_over_s,
        "trip-under-flow": line.flow_under_s,
        "trip-over-level": line.level_over_s,
    }
    passed = [words.word(what, seconds=f"{seconds:.0f}") for what, seconds in over.items() if seconds > 0]
    return words.word("trip-limits", passed="; ".join(passed)) if passed else words.word("trip-no-limits")


def _raised(line: TripLine, rig: Rig, words: Wording) -> str:
    counts = [(alarm_name(rig, f"rig.{alarm}", words), n) for alarm, n in line.alarms]
    raised = [words.word("trip-times", name=name, n=n) if n > 1 else name for name, n in counts]
    return words.word("trip-raised", alarms=", ".join(raised)) if raised else words.word("trip-none-raised")


def integrity(found: Report, words: Wording = ENGLISH) -> list[str]:
    """What ``verify`` says, and what that proves."""
    verified = words.word(
        "verified",
        verdict=words.word(f"verdict-{found.verdict}"),
        proves=words.word(f"proves-{found.verdict}"),
        inputs=found.inputs,
        events=found.events,
        gaps=len(found.gaps),
    )
    return [verified, *(words.word("altered", what=one) for one in found.altered)]


def balance(line: TripLine, units: str, words: Wording = ENGLISH) -> list[tuple[str, str]]:
    """Where the heat went: what, and how much with its uncertainty (k = 2); only what can be told.

    Args:
        line: the trip.
        units: of the crew.
        words: the language.
    """
    return [(words.word(f"balance-{name}"), much) for name, much in _balance(line, units, words)]


def _balance(line: TripLine, units: str, words: Wording) -> Iterator[tuple[str, str]]:
    yield "carried", _megajoules(line.energy_j, line.energy_std_j)
    if line.stored_j is not None and line.put_in_j is not None and line.put_in_std_j is not None:
        yield "stored", f"{line.stored_j / 1e6:.0f} MJ"
        yield "put-in", _megajoules(line.put_in_j, line.put_in_std_j)
    else:
        yield "no-put-in", words.word("balance-cannot")
    yield "mean", f"{line.mean_heat_w / 1e3:.0f} kW"
    yield "peak", f"{line.peak_heat_w / 1e3:.0f} kW"
    if line.outlet_max_degc is not None:
        yield "outlet", _in(line.outlet_max_degc, Dimension.TEMPERATURE, units)
    if line.flow_min_m3_s is not None:
        yield "flow", _in(line.flow_min_m3_s, Dimension.FLOW, units)
    if line.warmed_k is not None:
        yield "warmer", _in(line.warmed_k, Dimension.DIFFERENCE, units)
    if line.ton_miles is not None:
        yield "line", words.word("balance-ton-miles", n=f"{line.ton_miles:.1f}")
    yield "known", words.word("balance-known-of", share=f"{line.known:.1%}")


def _megajoules(value: float, std: float) -> str:
    return f"{value / 1e6:.0f} \u00b1 {COVERAGE * std / 1e6:.0f} MJ"


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
        "energy": _megajoules(line.energy_j, line.energy_std_j),
        "mean": f"{round(line.mean_heat_w / 1e3)} kW",
        "peak": f"{round(line.peak_heat_w / 1e3)} kW",
        "outlet": "--" if outlet is None else _in(outlet, Dimension.TEMPERATURE, units),
        "flow": "--" if flow is None else _in(flow, Dimension.FLOW, units),
        "margin": "--" if margin is None else f"{margin:.2f}",
        "alarms": str(sum(count for _, count in line.alarms)),
    }


def health(line: TripLine, words: Wording = ENGLISH) -> str:
    """What the torque says of the brake in this trip."""
    if line.torque is None:
        return words.word("torque-cannot")
    return words.word("torque-of-trip", said=trend([line.torque], words))
