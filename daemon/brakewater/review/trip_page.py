"""One trip as one page that needs nothing beside itself: charts that zoom on a screen, and clean A4 or Letter pages."""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from brakewater.errors import StorageError
from brakewater.record.reader import Record
from brakewater.record.report import Report
from brakewater.review import trip_tables as tables
from brakewater.review.alarm_figures import of_record
from brakewater.review.band_chart import band_chart
from brakewater.review.chart_data import TITLES, chart_data
from brakewater.review.proofs import proofs
from brakewater.review.time_line import rows_of, time_line
from brakewater.review.trip_seen import Seen, seen
from brakewater.review.trip_text import balance, health, integrity, summary
from brakewater.review.trips import SETTLES_NS, TripLedger, TripLine, ledger
from brakewater.units import utc_text

CAUTIONS: Final = (
    "Advisory monitor, not a safety instrumented system.",
    "The maker's manual, its limits, local rules and licensed practice stand above it.",
    "An eddy-current brake holds nothing at standstill.",
    "Values between the least and the most of a stretch are not drawn one by one; none lies outside the band.",
    "Heat follows from flow and temperatures: where one is not good it is not known, and the balance leaves it out.",
    "Times are UTC. Intervals are at k = 2, about 95 %.",
)
_STRETCHES: Final = 900
"""On paper."""
STYLE: Final = """
@page { margin: 14mm }
body { font: 11pt/1.4 system-ui, sans-serif; color: #111; background: #fff; max-width: 190mm; margin: 2em auto;
  padding: 0 1em }
h1 { font-size: 17pt; margin: 0 } h2 { font-size: 12.5pt; margin: 1.4em 0 .3em; page-break-after: avoid }
figure { margin: .6em 0; page-break-inside: avoid } svg { width: 100%; height: auto }
table { border-collapse: collapse; width: 100%; font-size: 9.5pt } tr { page-break-inside: avoid }
th, td { border-bottom: 1px solid #999; padding: .2em .5em; text-align: left; vertical-align: top }
td.t, .t { white-space: nowrap; font-variant-numeric: tabular-nums } tr.first td { font-weight: 700 }
.verdict { font-weight: 700 } footer { margin-top: 2em; font-size: 9pt; color: #444; border-top: 1px solid #999 }
.wide { overflow-x: auto } thead { display: table-header-group }
#live { display: none } .live #live { display: block } .live #still { display: none }
.u-title { font-size: 11pt }
#live button { font: inherit; min-height: 44px; padding: 0 1em } #live p { font-size: 9.5pt; color: #444 }
@media print { body { margin: 0; padding: 0; font-size: 10pt; max-width: none } .wide { overflow: visible }
  td { overflow-wrap: anywhere } .live #live { display: none } .live #still { display: block } }
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartCode:
    """What makes charts move: JavaScript without import or export, and its style."""

    script: str
    style: str


def trip_page(
    record: Record, number: int, verified: Report, code: ChartCode | None = None, paper: str | None = None
) -> str:
    """HTML of one trip.

    Args:
        record: what to read.
        number: of ``brakewater trips``.
        verified: what ``verify`` found in the same record.
        code: makes the charts interactive; None: they stand still.
        paper: ``A4`` or ``Letter``; the printer's own where None.

    Raises:
        StorageError: there is no such trip.
    """
    return page_of(record, *_trip(record, number), verified, code, paper)


def page_of(
    record: Record, found: TripLedger, line: TripLine, verified: Report, code: ChartCode | None, paper: str | None
) -> str:
    """As ``trip_page``, of a line of a ledger that is there already."""
    window = line.from_utc_ns, line.to_utc_ns + 1
    told = seen(record, window)
    title = f"{found.rig.name}, trip {line.number} of brake {line.brake}"
    parts = (
        f"<h1>{escape(title)}</h1>{_sentences(summary(line))}",
        f"<h2>Time line</h2><figure>{_line_of(told, window)}</figure>",
        f"<h2>Charts</h2>{_charts(told, line, code)}",
        f"<h2>Energy balance</h2>{_balance(line, found.rig.units)}",
        f"<h2>Sequence of events</h2>{_by_replay(told)}{tables.sequence(told)}",
        f"<h2>Alarm performance</h2>{_figures(record, window, told)}",
        f"<h2>Settings in force</h2>{tables.settings(told.rig, line.brake, told.before, told.after)}",
        f"<h2>Sensors</h2>{tables.sensors(told, proofs(told.rig, record.folder))}",
        f"<h2>Upkeep and health</h2>{_sentences([health(line)])}{tables.upkeep(told.book)}",
        f"<h2>The record</h2>{_sentences(_state(verified, found, told))}",
        f"<h2>Cautions</h2>{_sentences(CAUTIONS)}",
    )
    return _document(title, "".join(parts), chart_data(told.charts, line.brake, window), code, paper)


def _trip(record: Record, number: int) -> tuple[TripLedger, TripLine]:
    found = ledger(record)
    lines = found.lines if found is not None else ()
    if found is None or not 1 <= number <= len(lines):
        allowed = f"1 to {len(lines)}" if lines else "nothing: no trip was found in this record"
        raise StorageError(f"trip {number}; allowed: {allowed} (brakewater trips RECORD shows them)")
    return found, lines[number - 1]


def _document(title: str, body: str, data: str, code: ChartCode | None, paper: str | None) -> str:
    size = "" if paper is None else f"@page {{ size: {paper} }}"
    policy = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:"
    moving = ""
    if code is not None:
        moving = (
            f'<script type="application/json" id="data">{data}</script><script type="module">{code.script}</script>'
        )
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        f'<meta name="viewport" content="width=device-width"><style>{code.style if code else ""}{STYLE}{size}</style>'
        f"</head><body>{body}{moving}</body></html>\n"
    )


def _sentences(texts: Sequence[str]) -> str:
    return f"<p>{'<br>'.join(map(escape, texts))}</p>"


def _figures(record: Record, window: tuple[int, int], told: Seen) -> str:
    if told.by_replay:
        return "<p>No event was recorded, so there is nothing to count.</p>"
    return tables.figures(of_record(record, window), of_record(record))


def _by_replay(told: Seen) -> str:
    return "<p>Only inputs were recorded: these events are the replay's.</p>" if told.by_replay else ""


def _line_of(told: Seen, window: tuple[int, int]) -> str:
    begin, end = (utc_text(at) for at in window)
    commands = [(one.utc_ns, f"{one.actor}: {one.do}") for one in told.said if not one.told]
    return time_line(rows_of(told.events, begin, end), commands, window)


def _charts(told: Seen, line: TripLine, code: ChartCode | None) -> str:
    window = line.from_utc_ns, line.to_utc_ns + 1
    still = told.charts.stretches(*window, _STRETCHES)
    figures = []
    for one in told.charts.lines:
        key = (one.brake, one.quantity)
        if one.brake == line.brake and key in still.least:
            unit = told.charts.unit(one)
            title = TITLES.get(one.quantity, one.quantity) + ("" if unit == "1" else f", {unit}")
            figures.append(f"<figure>{band_chart(title, still.utc_ns, still.least[key], still.most[key])}</figure>")
    live = "" if code is None else '<div id="live"></div>'
    return f'{live}<div id="still">{"".join(figures)}</div>'


def _balance(line: TripLine, units: str) -> str:
    rows = [(escape(what), escape(much)) for what, much in balance(line, units)]
    note = f"What came out of the rotor within {SETTLES_NS // 60_000_000_000} minutes after the last stand counts in."
    return f"{tables.table(('What', 'How much'), rows)}<p>{note}</p>"


def _state(verified: Report, found: TripLedger, told: Seen) -> list[str]:
    damage = dict.fromkeys([*found.tally.damage, *told.damage])
    gaps = [f"Inputs {gap.lost_first} to {gap.lost_last} were lost in this trip: {gap.why}." for gap in told.gaps]
    return [*integrity(verified), *gaps, *damage]
