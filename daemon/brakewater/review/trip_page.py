"""One trip as one page that needs nothing beside itself: charts that zoom on a screen, and clean A4 or Letter pages."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from brakewater.errors import StorageError
from brakewater.record.reader import Record
from brakewater.record.report import Report
from brakewater.render import alarm_name
from brakewater.review import trip_tables as tables
from brakewater.review.alarm_figures import of_record
from brakewater.review.band_chart import band_chart
from brakewater.review.chart_data import chart_data
from brakewater.review.manner import PLAIN, Manner, manner_of
from brakewater.review.proofs import proofs
from brakewater.review.replay import NO_SCAN
from brakewater.review.setpoints import setpoints_of
from brakewater.review.time_line import rows_of, time_line
from brakewater.review.trip_seen import Seen, seen
from brakewater.review.trip_text import balance, health, integrity, summary
from brakewater.review.trips import SETTLES_NS, TripLedger, TripLine, ledger
from brakewater.units import utc_text
from brakewater.wording import Wording

CAUTIONS: Final = tuple(f"caution-{n}" for n in range(1, 8))
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
.u-title { font-size: 11pt } .u-legend th, .u-legend td { border: 0 }
.sign { margin-top: 3em } .sign td { border: 0; border-top: 1px solid #111; width: 33% }
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
    record: Record,
    number: int,
    verified: Report,
    code: ChartCode | None = None,
    paper: str | None = None,
    asked: Mapping[str, str | None] | None = None,
) -> str:
    """HTML of one trip.

    Args:
        record: what to read.
        number: of ``brakewater trips``.
        verified: what ``verify`` found in the same record.
        code: makes the charts interactive; None: they stand still.
        paper: ``A4`` or ``Letter``; the printer's own where None.
        asked: ``code`` and ``units`` of ``manner_of``; the rig file's where None.

    Raises:
        StorageError: there is no such trip, or no such language.
    """
    found, line = _trip(record, number)
    return page_of(record, found, line, verified, code, paper, manner_of(found.rig, **(asked or {})))


def page_of(
    record: Record,
    found: TripLedger,
    line: TripLine,
    verified: Report,
    code: ChartCode | None,
    paper: str | None,
    manner: Manner = PLAIN,
) -> str:
    """As ``trip_page``, of a line of a ledger that is there already."""
    window, words = line.window, manner.words
    told = seen(record, window, manner)
    lost = list[str]()
    title = words.word("report-title", rig=found.rig.name, n=line.number, brake=line.brake)
    chapters = {
        "report-line": f"<figure>{_line_of(told, window, words, manner.zone)}</figure>",
        "report-charts": _charts(told, line, code, manner),
        "report-balance": _balance(line, told.rig.units, words),
        "sequence": _by_replay(told, words) + tables.sequence(told, words, manner.zone),
        "report-alarms": _figures(record, window, told, words, lost),
        "report-settings": tables.settings(told.rig, line.brake, told.before, told.after, words, manner.zone),
        "report-sensors": tables.sensors(told, proofs(told.rig, record.folder, lost), words, manner.zone),
        "report-upkeep": _sentences([health(line, words)]) + tables.upkeep(told.rig, told.book, words, manner.zone),
        "report-record": _sentences(_state(verified, found, told, words, lost)),
        "report-cautions": _sentences([words.word(one, zone=manner.zone) for one in CAUTIONS]),
    }
    body = "".join(f"<h2>{escape(words.word(name))}</h2>{text}" for name, text in chapters.items())
    head = f"<h1>{escape(title)}</h1>{_sentences(summary(line, found.rig, words))}"
    data = chart_data(told.charts, line.brake, window, manner)
    return _document(title, head + body, data, code, paper, manner.code)


def _trip(record: Record, number: int) -> tuple[TripLedger, TripLine]:
    found = ledger(record)
    if found is None:
        raise StorageError(f"{record.folder}: {NO_SCAN}")
    lines = found.lines
    if not 1 <= number <= len(lines):
        allowed = f"1 to {len(lines)}" if lines else "nothing: no trip was found in this record"
        raise StorageError(f"trip {number}; allowed: {allowed} (brakewater trips RECORD shows them)")
    return found, lines[number - 1]


def _document(title: str, body: str, data: str, code: ChartCode | None, paper: str | None, language: str) -> str:
    size = "" if paper is None else f"@page {{ size: {paper} }}"
    policy = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:"
    moving = ""
    if code is not None:
        moving = (
            f'<script type="application/json" id="data">{data}</script><script type="module">{code.script}</script>'
        )
    return (
        f'<!doctype html><html lang="{language}"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        f'<meta name="viewport" content="width=device-width"><style>{code.style if code else ""}{STYLE}{size}</style>'
        f"</head><body>{body}{moving}</body></html>\n"
    )


def _sentences(texts: Sequence[str]) -> str:
    return f"<p>{'<br>'.join(map(escape, texts))}</p>"


def _figures(record: Record, window: tuple[int, int], told: Seen, words: Wording, lost: list[str]) -> str:
    if told.by_replay:
        return f"<p>{escape(words.word('figures-nothing'))}</p>"
    return tables.figures(of_record(record, window, lost), of_record(record, damage=lost), words)


def _by_replay(told: Seen, words: Wording) -> str:
    return f"<p>{escape(words.word('by-replay'))}</p>" if told.by_replay else ""


def _line_of(told: Seen, window: tuple[int, int], words: Wording, zone: str) -> str:
    begin, end = (utc_text(at) for at in window)
    commands = [(one.utc_ns, f"{one.actor}: {words.word(f'do-{one.do}')}") for one in told.said if not one.told]
    rows = rows_of(told.events, begin, end, told.stood)
    named = {alarm_name(told.rig, key, words): row for key, row in rows.items()}
    return time_line(named, commands, window, words, zone)


def _charts(told: Seen, line: TripLine, code: ChartCode | None, manner: Manner) -> str:
    window, words = line.window, manner.words
    still = told.charts.stretches(*window, _STRETCHES, manner.units)
    figures = []
    for one in told.charts.lines:
        key = (one.brake, one.quantity)
        if one.brake == line.brake and key in still.least:
            unit = told.charts.unit(one, manner.units)
            title = words.word(one.quantity) + ("" if unit == "1" else f", {unit}")
            least, most = still.least[key], still.most[key]
            limits = setpoints_of(told.charts, one, manner.units, words)
            nothing = words.word("chart-nothing")
            chart = band_chart(title, still.utc_ns, least, most, setpoints=limits, nothing=nothing, zone=manner.zone)
            figures.append(f"<figure>{chart}</figure>")
    live = "" if code is None else '<div id="live"></div>'
    return f'{live}<div id="still">{"".join(figures)}</div>'


def _balance(line: TripLine, units: str, words: Wording) -> str:
    rows = [(escape(what), escape(much)) for what, much in balance(line, units, words)]
    note = words.word("balance-settles", minutes=SETTLES_NS // 60_000_000_000)
    return f"{tables.table(tables.head(words, 'what', 'how-much'), rows)}<p>{escape(note)}</p>"


def _state(verified: Report, found: TripLedger, told: Seen, words: Wording, lost: list[str]) -> list[str]:
    damage = dict.fromkeys([*found.tally.damage, *told.damage, *lost])
    gaps = [words.word("lost-inputs", first=gap.lost_first, last=gap.lost_last, why=gap.why) for gap in told.gaps]
    return [*integrity(verified, words), *gaps, *damage]
