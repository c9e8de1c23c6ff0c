"""One trip as one page that needs nothing beside itself and prints on A4 and Letter."""

from collections.abc import Sequence
from html import escape
from typing import Any, Final

from brakewater.errors import StorageError
from brakewater.physics.uncertainty import COVERAGE
from brakewater.record.documents import event_doc
from brakewater.record.reader import Record
from brakewater.record.report import Report
from brakewater.render import event_shown, limit_with_unit
from brakewater.review.band_chart import band_chart
from brakewater.review.charts import Charts, charts
from brakewater.review.replay import recorded
from brakewater.review.trips import TripLine, ledger
from brakewater.rig import Rig
from brakewater.units import utc_text

CAUTION: Final = (
    "Advisory monitor, not a safety instrumented system. The maker's manual, its limits, local rules and licensed"
    " practice stand above it. Values between the least and the most of a stretch are not drawn one by one; none lies"
    " outside the band."
)
_COMMANDED: Final = "What was changed by command is no part of this table; it is an event of the record."
_STRETCHES: Final = 900
_TITLES: Final = {
    "inlet-flow": "Flow",
    "inlet-temperature": "Inlet",
    "outlet-temperature": "Outlet",
    "brake-level": "Level",
    "outlet_rise_k": "Rise",
    "heat_w": "Heat load",
    "duty_w": "Duty",
    "cooling_margin": "Cooling margin",
    "rotor_temperature_degc": "Rotor, estimated",
}
STYLE: Final = """
@page { margin: 14mm }
body { font: 11pt/1.4 system-ui, sans-serif; color: #111; background: #fff; max-width: 190mm; margin: 2em auto;
  padding: 0 1em }
h1 { font-size: 17pt; margin: 0 } h2 { font-size: 12.5pt; margin: 1.4em 0 .3em; page-break-after: avoid }
figure { margin: .6em 0; page-break-inside: avoid } svg { width: 100%; height: auto }
table { border-collapse: collapse; width: 100%; font-size: 9.5pt } tr { page-break-inside: avoid }
th, td { border-bottom: 1px solid #999; padding: .2em .5em; text-align: left; vertical-align: top }
td.t { white-space: nowrap; font-variant-numeric: tabular-nums } tr.first td { font-weight: 700 }
.verdict { font-weight: 700 } footer { margin-top: 2em; font-size: 9pt; color: #444; border-top: 1px solid #999 }
@media print { body { margin: 0; padding: 0; font-size: 10pt } }
"""


def trip_page(record: Record, number: int, verified: Report) -> str:
    """HTML of one trip.

    Args:
        record: what to read.
        number: of ``brakewater trips``.
        verified: what ``verify`` found in the same record.

    Raises:
        StorageError: there is no such trip.
    """
    found = ledger(record)
    lines = found.lines if found is not None else ()
    if found is None or not 1 <= number <= len(lines):
        allowed = f"1 to {len(lines)}" if lines else "nothing: no trip was found in this record"
        raise StorageError(f"trip {number}; allowed: {allowed} (brakewater trips RECORD shows them)")
    line = lines[number - 1]
    window = line.from_utc_ns, line.to_utc_ns + 1
    told: list[str] = []
    events = [
        event_shown(found.rig, event_doc(event))
        for event in recorded(record, lambda _, error: told.append(str(error)))
        if window[0] <= event.utc_ns < window[1]
    ]
    title = f"{found.rig.name}, trip {line.number} of brake {line.brake}"
    parts = (
        f"<h1>{escape(title)}</h1>{_sentences(summary(line))}",
        f"<h2>Charts</h2>{_figures(charts(record, *window), line)}",
        f"<h2>Sequence of events</h2>{_sequence(events)}",
        f"<h2>Alarms as the rig file sets them</h2><p>{_COMMANDED}</p>{_settings(found.rig, line.brake)}",
        f"<h2>The record</h2>{_sentences([*integrity(verified), *found.tally.damage, *told])}",
        f"<footer>{CAUTION} Times are UTC.</footer>",
    )
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{STYLE}</style></head>'
        f"<body>{''.join(parts)}</body></html>\n"
    )


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


def _sentences(texts: Sequence[str]) -> str:
    return f"<p>{'<br>'.join(map(escape, texts))}</p>"


def _figures(found: Charts, line: TripLine) -> str:
    seen = found.stretches(line.from_utc_ns, line.to_utc_ns + 1, _STRETCHES)
    figures = []
    for one in found.lines:
        key = (one.brake, one.quantity)
        if one.brake == line.brake and key in seen.least:
            title = _TITLES[one.quantity] + ("" if one.unit == "1" else f", {one.unit}")
            figures.append(f"<figure>{band_chart(title, seen.utc_ns, seen.least[key], seen.most[key])}</figure>")
    return "".join(figures)


def _sequence(events: Sequence[dict[str, Any]]) -> str:
    if not events:
        return "<p>No event was recorded in this trip.</p>"
    rows = "".join(
        f'<tr{_first(event)}><td class="t">{event["t"][:-1]}</td><td>{event["priority"]}</td>'
        f"<td>{'First: ' if _first(event) else ''}{escape(event['text'])}</td></tr>"
        for event in events
    )
    return f"<table><thead><tr><th>Time</th><th>Priority</th><th>Event</th></tr></thead><tbody>{rows}</tbody></table>"


def _first(event: dict[str, Any]) -> str:
    return ' class="first"' if event["first_out"] and event["to"] == "unacknowledged" else ""


def _settings(rig: Rig, brake: str) -> str:
    rows = "".join(
        f"<tr><td>{escape(rule.key)}</td><td>{rule.priority}</td>"
        f"<td>{'' if rule.setpoint is None else limit_with_unit(rule.setpoint, rule.kind.dimension, rig.units)}</td>"
        f"<td>{rule.on_ns / 1e9:g} s</td><td>{rule.off_ns / 1e9:g} s</td></tr>"
        for rule in rig.alarms
        if rule.brake in (brake, None)
    )
    head = "".join(f"<th>{name}</th>" for name in ("Alarm", "Priority", "Setpoint", "On-delay", "Off-delay"))
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
