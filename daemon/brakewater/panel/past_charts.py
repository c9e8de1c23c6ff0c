"""The past as charts and pictures: trips, windows at any zoom, what other settings would have done, what was seen."""

from math import isnan
from threading import Lock
from time import monotonic
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from pydantic import StringConstraints

from brakewater.engine import Engine
from brakewater.engine.refusals import RefusedError, refused
from brakewater.panel.asking import NotSoError
from brakewater.panel.live_routes import Units
from brakewater.panel.opened import LONGEST_NS, Windows
from brakewater.panel.player import Player
from brakewater.panel.shown import in_units
from brakewater.record.documents import event_doc
from brakewater.record.reader import Record
from brakewater.render import Document, came_first, event_shown
from brakewater.review.charts import Charts, Stretches
from brakewater.review.replay import Tally, replayed
from brakewater.review.setpoints import setpoints_of
from brakewater.review.trip_text import trip_figures
from brakewater.review.trips import TripLedger, TripLine, ledger
from brakewater.review.what_if import SettingError, asked_of, objections, overruled, read_back
from brakewater.rig import Rig
from brakewater.stream import Command, Event, Floats
from brakewater.units import CREW_UNITS, utc_text
from brakewater.wording import ENGLISH, LANGUAGES, Wording

MILLION: Final = 1_000_000
LAST_MS: Final = 4_102_444_800_000
"""The year 2100; what a page asks for lies before it."""
_HOUR_NS: Final = 3_600_000_000_000
_DAY_NS: Final = 86_400_000_000_000
_FRESH_S: Final = 30.0
"""So long a list of trips may be shown again although the record grows."""
_PLAYED_MS: Final = 3_600_000

Moment = Annotated[int, Query(ge=0, le=LAST_MS)]
"""Wall time, ms since 1970."""
Count = Annotated[int, Query(ge=1, le=5000)]
Pictures = Annotated[int, Query(ge=1, le=20)]
Days = Annotated[int, Query(ge=1, le=4000)]
Settings = Annotated[list[Annotated[str, StringConstraints(max_length=200)]], Query(alias="set", max_length=50)]
Language = Annotated[str, StringConstraints(pattern=r"^[a-z]{2}$")]


class Ledgers:
    """Trips of the last days, found once for all who look."""

    def __init__(self, record: Record) -> None:
        self._record = record
        self._lock = Lock()
        self._kept: tuple[int, Any, float, TripLedger | None] | None = None
        """First run looked through, the record's newest input then, when, and what was found."""

    def lines(self, days: int) -> tuple[TripLedger | None, bool]:
        """The ledger, and whether it goes back to the record's begin, so that numbers are those of the command.

        Raises:
            StorageError: the record cannot be read.
        """
        with self._lock:
            spans = self._record.spans()
            if not spans:
                return None, True
            since = spans[-1].last_utc_ns - days * _DAY_NS
            first = min(span.run for span in spans if span.to_utc_ns >= since)
            newest = self._record.newest()
            kept = self._kept
            fresh = kept is not None and (kept[1] == newest or monotonic() - kept[2] < _FRESH_S)
            if kept is None or kept[0] != first or not fresh:
                self._kept = kept = first, newest, monotonic(), ledger(self._record, from_run=first)
            return kept[3], first == min(self._record.runs())


def add_charts(routes: APIRouter, record: Record, windows: Windows, ledgers: Ledgers) -> None:
    """Routes that replay."""
    one_at_a_time, player = Lock(), Player(record, windows)

    @routes.get("/trips")
    def trips(days: Days = 3, units: Units = None) -> list[dict[str, Any]]:
        """Trips of the last days, as ``brakewater trips`` finds them; a number is null where the list begins later."""
        found, whole = ledgers.lines(days)
        if found is None:
            return []
        system = in_units(found.rig, units).units
        return [_trip(line, system, numbered=whole) for line in found.lines]

    @routes.get("/charts")
    def charts(
        from_ms: Moment,
        to_ms: Moment,
        zoom_from_ms: Moment,
        zoom_to_ms: Moment,
        count: Count = 800,
        lang: Language = "en",
        units: Units = None,
    ) -> Any:
        """Least and most of each stretch of a zoom into a window, of every quantity; null where nothing was good.

        Beside them the setpoints of the alarms on it, each from when on.
        """
        if not from_ms < to_ms <= from_ms + LONGEST_NS // MILLION or not zoom_from_ms < zoom_to_ms:
            raise NotSoError(422, refused("no-window", hours=LONGEST_NS // _HOUR_NS))
        found = windows.charts(from_ms * MILLION, to_ms * MILLION)
        begin, end = max(from_ms, zoom_from_ms), min(to_ms, zoom_to_ms)
        system = units if units in CREW_UNITS else None
        seen = found.stretches(begin * MILLION, max(begin + 1, end) * MILLION, count, system)
        return _charts(found, seen, system, LANGUAGES.get(lang, ENGLISH))

    @routes.get("/what-if")
    def what_if(
        from_ms: Moment, to_ms: Moment, settings: Settings, lang: Language = "en", units: Units = None
    ) -> dict[str, Any]:
        """The events of a window with other settings, as ``brakewater replay --set``; and what check would refuse."""
        with one_at_a_time:
            events, rig, objected = _what_if(record, (from_ms * MILLION, to_ms * MILLION), settings)
        seen, words = in_units(rig, units), LANGUAGES.get(lang, ENGLISH)
        return {
            "events": [for_page(seen, event_doc(one), words) for one in events],
            "objections": [{"says": str(one), "why": one.why, "places": dict(one.places)} for one in objected],
            "read": read_back(seen, settings),
        }

    @routes.get("/seen")
    def seen(from_ms: Moment, to_ms: Moment, count: Pictures = 1, lang: Language = "en", units: Units = None) -> Any:
        """What the driller's page showed at moments evenly from one to the other."""
        if not from_ms <= to_ms <= from_ms + _PLAYED_MS:
            raise NotSoError(422, refused("no-window", hours=1))
        step = (to_ms - from_ms) / max(1, count - 1)
        moments = [round(from_ms + at * step) * MILLION for at in range(count)]
        return player.pictures(moments, LANGUAGES.get(lang, ENGLISH), units)


def for_page(rig: Rig, doc: Document, words: Wording) -> Document:
    """An event as the page tells it: as people read it, and whether it is the first out coming."""
    return event_shown(rig, doc, words) | {"came_first": came_first(doc)}


def _what_if(
    record: Record, window: tuple[int, int], settings: list[str]
) -> tuple[list[Event], Rig, list[RefusedError]]:
    """From a day before the window on: an alarm that stood longer than that is not known to stand."""
    if not record.runs():
        raise NotSoError(422, refused("no-record"))
    try:
        rig, instead = asked_of(record, settings)
    except SettingError as error:
        raise NotSoError(422, error) from error
    runs = [span.run for span in record.spans(window[0] - _DAY_NS, window[1])] or [0]
    events, objected = list[Event](), list(objections(rig, settings))
    for item, outcome in replayed(record, Engine(instead=instead), Tally(), min(runs), max(runs)):
        events += (event for event in outcome.events if window[0] <= event.utc_ns < window[1])
        says = overruled(settings, item, outcome) if isinstance(item, Command) else None
        objected += [] if says is None else [says]
    return events, rig, objected


def _trip(line: TripLine, units: str, *, numbered: bool) -> dict[str, Any]:
    return {
        "trip": line.number if numbered else None,
        "brake": line.brake,
        "direction": "in" if line.lowered else "out",
        "from": utc_text(line.from_utc_ns),
        "from_ms": line.window[0] // MILLION,
        "to_ms": (line.window[1] - 1) // MILLION + 1,
        "stands": line.stands,
        "energy_j": line.energy_j,
        "energy_std_j": line.energy_std_j,
        "heat_peak_w": line.peak_heat_w,
        "alarms": [name for name, _ in line.alarms],
        "figures": trip_figures(line, units),
    }


def _charts(found: Charts, seen: Stretches, system: str | None, words: Wording) -> dict[str, Any]:
    return {
        "utc_ms": (seen.utc_ns // MILLION).tolist(),
        "lines": [
            {
                "brake": line.brake,
                "quantity": line.quantity,
                "unit": found.unit(line, system),
                "least": _numbers(seen.least.get((line.brake, line.quantity))),
                "most": _numbers(seen.most.get((line.brake, line.quantity))),
                "limits": [one.doc() for one in setpoints_of(found, line, system, words)],
            }
            for line in found.lines
        ],
    }


def _numbers(values: Floats | None) -> list[float | None]:
    """JSON knows no NaN."""
    return [] if values is None else [None if isnan(one) else round(one, 4) for one in values.tolist()]
