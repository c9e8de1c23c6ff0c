"""The change of crew as its page asks for it: what stands, what was done, who signed."""

from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Query, Request

from brakewater.panel.asking import parts_of
from brakewater.panel.live_routes import Language, Units, language_of
from brakewater.panel.past_charts import Ledgers
from brakewater.panel.shown import in_units
from brakewater.record.reader import Record
from brakewater.review.handover import begun_ns, handover_doc
from brakewater.wording import LANGUAGES

_HOUR_NS = 3600 * 1_000_000_000
_DAYS = 3
"""So far back trips are looked for; a tour is shorter."""
Hours = Annotated[float | None, Query(gt=0, le=48, allow_inf_nan=False)]


def add_tour(routes: APIRouter, record: Record, ledgers: Ledgers) -> None:
    """Route for the handover of a tour."""

    @routes.get("/handover")
    def handover(request: Request, hours: Hours = None, lang: Language = None, units: Units = None) -> dict[str, Any]:
        """The tour as it is handed over; its begin is the last handover's, or so many hours ago."""
        followed = parts_of(request).followed
        picture, rig = followed.picture, followed.rig
        if picture is None or rig is None:
            raise HTTPException(503, "the watch is not there, or its picture is old")
        now_ns = picture.utc_ns
        from_ns = begun_ns(record, now_ns) if hours is None else now_ns - round(hours * _HOUR_NS)
        found, _ = ledgers.lines(_DAYS)
        trips = tuple(one for one in found.lines if one.to_utc_ns >= from_ns) if found is not None else ()
        words = LANGUAGES[language_of(request, lang)]
        return handover_doc(in_units(rig, units), picture, record, from_ns, trips, words)
