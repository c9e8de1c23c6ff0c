"""The upkeep book as a document: for the command ``upkeep``, for the pages, for whoever asks ``control.sock``."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import Any, Final

from brakewater.engine.book_commands import keys_of
from brakewater.physics.scaling import ADVICE, Water, indices
from brakewater.physics.trend import line
from brakewater.render import round_now
from brakewater.rig import Brake, Rig
from brakewater.stream import BookNow, EntryNow, WaterNow
from brakewater.trips.rounds import DEFAULTS, Round
from brakewater.units import utc_text

_STRINGS: Final = 0.05
"""By which rotor-to-water differs from trip to trip with the string's weight alone, as in the simulator."""

Document = dict[str, Any]
_DAY_NS: Final = 86_400e9
_INDEX_STD: Final = 0.1
"""By which an index is off at least, of a test kit's steps in pH; an assumption."""
_SCATTER: Final = 0.005
"""By which the index of a trip is off at least; an assumption."""

_ANEW: Final = timedelta(minutes=30)
"""A round that was done so short before or after is asked about before it is logged once more; an assumption."""


def done_lately(book: Mapping[str, Any], name: Any, done: Any) -> Document | None:
    """The newest entry of a round that the document has as done at about a time (UTC, text); None: no such one."""
    for one in reversed(book.get("entries", ())):
        if one["round"] == name and not one["void"] and not one["corrected_by"] and _near(one["done"], done):
            return dict(one)
    return None


def _near(done: str, other: Any) -> bool:
    try:
        apart = datetime.fromisoformat(done) - datetime.fromisoformat(other)
    except (TypeError, ValueError):
        return False  # no time: the watch says so
    return abs(apart) < _ANEW


def book_doc(rig: Rig, book: BookNow) -> Document:
    """How it stands: SI, times in UTC, and for each round what its entry asks for."""
    of = {one.name: one for one in rig.rounds}
    water = [_sample(rig, one) for one in book.water]
    worked = {brake: (running_s, trips, energy_j) for brake, running_s, trips, energy_j in book.worked}
    return {
        "rig": rig.name,
        "units": rig.units,
        "time_zone": rig.time_zone,
        "gap_limits": None if rig.upkeep is None else asdict(rig.upkeep.limits),
        "rounds": [
            {
                **round_now(one),
                "what": of[one.round].what,
                "plain": _plain(of[one.round]),
                "kind": of[one.round].kind,
                "keys": list(keys_of(rig, of[one.round])),
            }
            for one in book.rounds
        ],
        "worked": [
            {"brake": brake, "running_s": running_s, "trips": trips, "heat_j": energy_j}
            for brake, running_s, trips, energy_j in book.worked
        ],
        "parts": [
            {
                "brake": one.brake,
                "part": one.part,
                "serial": one.serial,
                "actor": one.actor,
                "since": utc_text(one.since_utc_ns),
                "running_s": worked[one.brake][0] - one.running_ns / 1e9,
                "trips": worked[one.brake][1] - one.trips,
                "heat_j": worked[one.brake][2] - one.energy_mj / 1e3,
            }
            for one in book.parts
        ],
        "former": [
            {
                "brake": one.brake,
                "part": one.part,
                "serial": one.serial,
                "since": utc_text(one.since_utc_ns),
                "until": utc_text(one.until_utc_ns),
                "running_s": one.running_ns / 1e9,
                "trips": one.trips,
                "heat_j": one.energy_mj / 1e3,
            }
            for one in book.former
        ],
        "gaps": [{name: getattr(one, name) for name in type(one).__slots__} for one in book.gaps],
        "water": water,
        "water_trend": [_water_trend(brake.name, book.water, water) for brake in rig.brakes],
        "entries": [_entry(one) for one in book.entries],
        "trips": [{name: getattr(one, name) for name in type(one).__slots__} for one in book.by_trip],
        "torque": [_torque(brake.name, book) for brake in rig.brakes],
        "passes": [_passes(brake, book) for brake in rig.brakes],
        "signed": [
            {
                "entry": one.id,
                "by": one.by,
                "actor": one.actor,
                "signed": utc_text(one.utc_ns),
                "remark": one.remark,
            }
            for one in book.signed
        ],
    }


def _torque(brake: str, book: BookNow) -> Document:
    """How a brake's torque index has gone from trip to trip; the trend needs some trips and says nothing before."""
    told = [one for one in book.by_trip if one.brake == brake and one.torque_index is not None]
    found = line([float(one.trip) for one in told], [one.torque_index or 0.0 for one in told], _SCATTER)
    return {
        "brake": brake,
        "trips": len(told),
        "newest": told[-1].torque_index if told else None,
        "std": told[-1].torque_index_std if told else None,
        "slope_per_trip": found.slope if found is not None and found.is_sure else None,
    }


def _passes(brake: Brake, book: BookNow) -> Document:
    """How badly heat passes from the rotor into the water, trip by trip: beside the water, since scale raises it."""
    told = [one for one in book.by_trip if one.brake == brake.name and one.rotor_to_water is not None]
    found = line([float(one.trip) for one in told], [one.rotor_to_water or 0.0 for one in told], _STRINGS)
    newest, rotor = told[-1] if told else None, brake.rotor
    clean_k_w = None if rotor is None else 1.0 / (rotor.still + rotor.flowing)
    of_file = newest.rotor_to_water if newest is not None else None
    return {
        "brake": brake.name,
        "trips": len(told),
        "of_rig_file": of_file,
        "std": None if newest is None else newest.rotor_to_water_std,
        "k_w": None if of_file is None or clean_k_w is None else of_file * clean_k_w,
        "slope_per_trip": found.slope if found is not None and found.is_sure else None,
    }


def _plain(one: Round) -> str | None:
    """Under which name its sentence has words in every language; None where the rig file says it in its own."""
    name = one.name.removeprefix(f"{one.brake}-")
    return name if any(name == default.name and one.what == default.what for default in DEFAULTS) else None


def _sample(rig: Rig, one: WaterNow) -> Document:
    """At the inlet's limit and at the outlet's, where scale falls out first."""
    water = Water(ph=one.ph, tds_mg_l=one.tds_mg_l, calcium_mg_l=one.calcium_mg_l, alkalinity_mg_l=one.alkalinity_mg_l)
    brake = next(brake for brake in rig.brakes if brake.name == one.brake)
    found = {"inlet": indices(water, brake.inlet_limit), "hot": indices(water, brake.outlet_limit)}
    return {
        "brake": one.brake,
        "taken": utc_text(one.done_utc_ns),
        "ph": one.ph,
        "tds_mg_l": one.tds_mg_l,
        "calcium_mg_l": one.calcium_mg_l,
        "alkalinity_mg_l": one.alkalinity_mg_l,
        **{
            place: {"degc": at.degc, "langelier": at.langelier, "ryznar": at.ryznar, "verdict": at.verdict}
            for place, at in found.items()
        },
        "advice": ADVICE[found["hot"].verdict],
    }


def _water_trend(brake: str, samples: Sequence[WaterNow], shown: Sequence[Document]) -> Document:
    """Where the hot side's Langelier index goes, by a robust line through the samples; none with fewer than four."""
    own = [(one.done_utc_ns / _DAY_NS, doc) for one, doc in zip(samples, shown, strict=True) if one.brake == brake]
    found = line([day for day, _ in own], [doc["hot"]["langelier"] for _, doc in own], _INDEX_STD)
    is_sure = found is not None and found.is_sure
    return {"brake": brake, "samples": len(own), "langelier_a_month": 30.0 * found.slope if found and is_sure else None}


def _entry(one: EntryNow) -> Document:
    return {
        "entry": one.id,
        "round": one.round,
        "actor": one.actor,
        "entered": utc_text(one.utc_ns),
        "done": utc_text(one.done_utc_ns),
        "remark": one.remark,
        "corrects": one.corrects,
        "corrected_by": one.corrected_by,
        "void": one.void,
    }
