"""The commands that write into the upkeep book: log-round (also to correct an entry), change-part and sign-book.

An entry says the round, when the work was done (``at``, else now), what was measured (``values``) and a remark. One
that ``corrects`` another takes its place; both stay in the record. ``void`` strikes the other out without another in
its place. A photo is named by file name and digest; the picture itself is too large for the stream and stays on the
mechanic's phone or the rig's share.
"""

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from brakewater.engine.asking import name_of, utc_ns_of
from brakewater.engine.book import PARTS, Book
from brakewater.engine.refusals import refused
from brakewater.engine.worked import Totals, Worked
from brakewater.physics.scaling import TDS_OF_CONDUCTIVITY, Water, indices
from brakewater.rig import Rig
from brakewater.stream import Command, EntryNow, PartNow, SignedNow, WaterNow
from brakewater.trips.rounds import COIL, GAP, HOUR_NS, WATER, Round
from brakewater.units import Dimension, UnitError, parse, shown, units_of

_MOST_REMARK: Final = 300
_OLDEST_NS: Final = 400 * 86_400_000_000_000
"""Entries may be taken over from another book so far back."""
_SERIAL: Final = re.compile(r"[\x21-\x7e][\x20-\x7e]{0,47}")
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
SCALE: Final = "scale"
SAMPLE: Final = ("ph", "tds-mg-l", "conductivity-us-cm", "calcium-mg-l", "alkalinity-mg-l", "temperature")
_WIDEST_M: Final = 0.05
CARRIED: Final = ("hours", "trips", "heat-gj")
"""What a part has done before it came to this brake, on another rig."""
_MOST_CARRIED: Final = 1e6
_OF_TRIPS: Final = ("brake", "rotor", "coil", "inlet-rtd", "outlet-rtd", "meter")
"""With another of these share, torque index and the way of the heat are another's: their trend begins anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """What the book's commands work on."""

    rig: Rig
    book: Book | None
    worked: Mapping[str, Worked]


@dataclass(frozen=True, slots=True, kw_only=True)
class Values:
    """What was measured, in SI."""

    gaps: Mapping[str, float]
    scale_m: float = 0.0
    water: Water | None = None
    degc: float | None = None


def log_round(command: Command, shelf: Shelf) -> str:
    """Enter a round; what to say.

    Raises:
        RefusedError: the entry makes no sense; nothing was changed.
    """
    book, args = _book(shelf), command.request.args
    one = _round(book, args.get("round"))
    corrected = _corrected(book, args, one)
    void = args.get("void") is True
    if void and corrected is None:
        raise refused("void-what")
    values = Values(gaps={}) if void else values_of(shelf.rig, one, args.get("values", {}))
    done_utc_ns = _done_ns(command, args.get("at") if corrected is None or "at" in args else None, corrected)
    _photo(args.get("photo"))
    entry = EntryNow(
        id=f"{command.run}.{command.input}",
        round=one.name,
        actor=command.request.actor,
        utc_ns=command.utc_ns,
        done_utc_ns=done_utc_ns,
        remark=_remark(args),
        corrects=None if corrected is None else corrected.id,
        void=void,
    )
    book.enter(entry, _totals(command, shelf.worked[one.brake], done_utc_ns), values.gaps, values.scale_m)
    if values.water is not None:
        book.sample(
            WaterNow(
                entry=entry.id,
                brake=one.brake,
                done_utc_ns=done_utc_ns,
                ph=values.water.ph,
                tds_mg_l=values.water.tds_mg_l,
                calcium_mg_l=values.water.calcium_mg_l,
                alkalinity_mg_l=values.water.alkalinity_mg_l,
            )
        )
    if void:
        return f"{entry.corrects} is struck out by {entry.id}; both stay in the record"
    instead = f" in place of {entry.corrects}" if corrected else ""
    return f"{one.name} is logged as {entry.id}{instead}{_says(values, shelf.rig.units)}"


def change_part(command: Command, shelf: Shelf) -> str:
    """A part with another serial number: a new baseline, the old one stays in the record.

    Raises:
        RefusedError: no such part or brake, or no serial number.
    """
    book, args = _book(shelf), command.request.args
    brakes = [brake.name for brake in shelf.rig.brakes]
    brake = args.get("brake", brakes[0] if len(brakes) == 1 else None)
    if brake not in brakes:
        raise refused("brake-which", said=_short(brake), allowed=", ".join(brakes))
    part, serial = args.get("part"), args.get("serial")
    if part not in PARTS:
        raise refused("part-which", said=_short(part), allowed=", ".join(PARTS))
    if not isinstance(serial, str) or not _SERIAL.fullmatch(serial):
        raise refused("serial-none")
    _remark(args)
    done_utc_ns = _done_ns(command, args.get("at"), None)
    totals = _totals(command, shelf.worked[brake], done_utc_ns)
    hours, trips, heat_gj = (_number(key, args[key]) if key in args else 0.0 for key in CARRIED)
    if hours > _MOST_CARRIED or trips > _MOST_CARRIED or heat_gj > _MOST_CARRIED:
        raise refused("carried-most", keys=", ".join(CARRIED), most=f"{_MOST_CARRIED:g}")
    book.change(
        PartNow(
            brake=brake,
            part=part,
            serial=serial,
            actor=command.request.actor,
            since_utc_ns=done_utc_ns,
            running_ns=totals.running_ns - round(hours * HOUR_NS),
            trips=totals.trips - round(trips),
            energy_mj=totals.energy_mj - round(heat_gj * 1e12),
        )
    )
    if part in _OF_TRIPS:
        shelf.worked[brake].by_trip.begin_anew()
    carried = any((hours, trips, heat_gj))
    begins = f"it comes with {hours:g} h, {trips:.0f} trips and {heat_gj:g} GJ" if carried else "counted from here"
    return f"{part} of {brake} is now {serial}; its hours, trips and heat: {begins}"


def sign_book(command: Command, shelf: Shelf) -> str:
    """Sign the book as it stands.

    Raises:
        RefusedError: no name, or a novel beside it.
    """
    book, args = _book(shelf), command.request.args
    book.sign(
        SignedNow(
            id=f"{command.run}.{command.input}",
            by=name_of(args, "by"),
            actor=command.request.actor,
            utc_ns=command.utc_ns,
            remark=_remark(args),
        )
    )
    return f"the book is signed by {name_of(args, 'by')}; the record keeps it as it stands now"


def values_of(rig: Rig, one: Round, said: Any) -> Values:
    """What an entry says was measured.

    Args:
        rig: knows the places where the gap is measured.
        one: the round that was done.
        said: key -> text with its unit, or a number.

    Raises:
        RefusedError: a key or value that this round does not take.
    """
    if not isinstance(said, Mapping):
        raise refused("values-none")
    known = keys_of(rig, one)
    for key in said:
        if key not in known:
            near = difflib.get_close_matches(str(key)[:48], known, n=3, cutoff=0.0)
            raise refused("value-which", round=one.name, said=_short(key), nearest=", ".join(near) or "-")
    if one.kind == GAP:
        gaps = {key: _length(key, value) for key, value in said.items()}
        scale_m = gaps.pop(SCALE, 0.0)
        if not gaps:
            raise refused("reading-none", round=one.name, key=known[0])
        return Values(gaps=gaps, scale_m=scale_m)
    if one.kind == WATER:
        return _sample(said)
    for key, value in said.items():
        _number(key, value)
    return Values(gaps={})


def keys_of(rig: Rig, one: Round) -> tuple[str, ...]:
    """What an entry of a round may give values for."""
    if rig.upkeep is None:
        return ()
    if one.kind == GAP:
        return (*rig.upkeep.gap_places(), SCALE)
    if one.kind == WATER:
        return SAMPLE
    if one.kind == COIL:
        return tuple(
            f"coil-{coil}-{what}" for coil in range(1, rig.upkeep.coils + 1) for what in ("ohm", "insulation-mohm")
        )
    return ()


def _sample(said: Mapping[str, Any]) -> Values:
    if not said:
        return Values(gaps={})  # sent to a laboratory; its figures come as a correction
    numbers = {key: _number(key, value) for key, value in said.items() if key != "temperature"}
    if "tds-mg-l" not in numbers and "conductivity-us-cm" in numbers:
        numbers["tds-mg-l"] = TDS_OF_CONDUCTIVITY * numbers["conductivity-us-cm"]
    missing = [key for key in ("ph", "tds-mg-l", "calcium-mg-l", "alkalinity-mg-l") if key not in numbers]
    if missing:
        raise refused("sample-lacks", keys=", ".join(missing))
    if not 0.0 < numbers["ph"] <= 14.0:
        raise refused("ph-range", said=f"{numbers['ph']:g}")
    for key in ("tds-mg-l", "calcium-mg-l", "alkalinity-mg-l"):
        if not numbers[key] > 0.0:
            raise refused("sample-zero", key=key, said=f"{numbers[key]:g}")
    water = Water(
        ph=numbers["ph"],
        tds_mg_l=numbers["tds-mg-l"],
        calcium_mg_l=numbers["calcium-mg-l"],
        alkalinity_mg_l=numbers["alkalinity-mg-l"],
    )
    degc = None
    if "temperature" in said:
        degc = _quantity("temperature", said["temperature"], Dimension.TEMPERATURE)
        if not 0.0 <= degc <= 100.0:
            raise refused("water-range", said=repr(said["temperature"]))
    return Values(gaps={}, water=water, degc=degc)


def _says(values: Values, system: str) -> str:
    if values.water is None or values.degc is None:
        return ""
    found = indices(values.water, values.degc)
    warm, unit = shown(values.degc, Dimension.TEMPERATURE, system)
    return f": {found.verdict} (Langelier {found.langelier:+.2f}, Ryznar {found.ryznar:.2f}) at {warm:.0f} {unit}"


def _book(shelf: Shelf) -> Book:
    if shelf.book is None:
        raise refused("keeps-no-book")
    return shelf.book


def _round(book: Book, name: Any) -> Round:
    if isinstance(name, str) and name in book.rounds:
        return book.rounds[name]
    raise refused("round-which", said=_short(name), allowed=", ".join(book.rounds))


def _corrected(book: Book, args: Mapping[str, Any], one: Round) -> EntryNow | None:
    if "corrects" not in args:
        return None
    entry = book.found(str(args["corrects"])[:48])
    if entry is None or entry.round != one.name:
        mine = [old.id for old in book.entries if old.round == one.name and old.corrected_by is None and not old.void]
        raise refused("corrects-which", said=_short(args["corrects"]), allowed=", ".join(mine) or "-")
    return entry


def _done_ns(command: Command, at: Any, corrected: EntryNow | None) -> int:
    """Wall time of the work: said, else that of the corrected entry, else now."""
    if at is None:
        return command.utc_ns if corrected is None else corrected.done_utc_ns
    done = utc_ns_of("at", at)
    if done > command.utc_ns:
        raise refused("done-ahead", said=at)
    if command.utc_ns - done > _OLDEST_NS:
        raise refused("done-long-ago", said=at, days=_OLDEST_NS // 86_400_000_000_000)
    return done


def _totals(command: Command, worked: Worked, done_utc_ns: int) -> Totals:
    """Where the brake's counts stood when the work was done."""
    now = worked.now(command.t_ns)
    back = command.utc_ns - done_utc_ns
    return now if back <= 0 else worked.at(command.t_ns - back, now)


def _remark(args: Mapping[str, Any]) -> str:
    remark = args.get("remark", "")
    if not isinstance(remark, str) or len(remark) > _MOST_REMARK:
        raise refused("remark-long", most=_MOST_REMARK)
    return remark.strip()


def _photo(photo: Any) -> None:
    if photo is None:
        return
    fields = photo if isinstance(photo, Mapping) else {}
    name, digest = fields.get("name"), fields.get("sha256")
    if not (isinstance(name, str) and 0 < len(name) <= 120 and isinstance(digest, str) and _DIGEST.fullmatch(digest)):
        raise refused("photo-none")


def _number(key: str, value: Any) -> float:
    try:
        number = float(value) if isinstance(value, int | float | str) and not isinstance(value, bool) else float("nan")
    except (ValueError, OverflowError):
        number = float("nan")
    if not (isfinite(number) and 0.0 <= number < 1e12):
        raise refused("number-none", key=key, said=_short(value))
    return number


def _length(key: str, value: Any) -> float:
    length = _quantity(key, value, Dimension.LENGTH)
    if not (0.0 <= length <= _WIDEST_M):
        most = {"most_mm": f"{_WIDEST_M * 1e3:g}", "most_in": f"{_WIDEST_M / 0.0254:.2g}"}
        raise refused("length-range", key=key, said=_short(value), **most)
    return length


def _quantity(key: str, value: Any, dimension: Dimension) -> float:
    try:
        return parse(value if isinstance(value, str) else repr(value), dimension)
    except UnitError as error:
        why = "unit-none" if error.found.endswith("without a unit") else "quantity-none"
        raise refused(why, key=key, said=_short(value), units=units_of(dimension)) from error


def _short(said: Any) -> str:
    return repr(str(said)[:48])
