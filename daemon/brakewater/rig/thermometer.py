"""Platinum thermometers as the rig file writes them, with what their leads add."""

from collections.abc import Mapping
from typing import Any, Final

from brakewater.rig.complaints import Complain, built, is_number, number, told
from brakewater.rig.tables import PointEntry
from brakewater.signals.convert import Pt100
from brakewater.signals.leads import Leads, copper_ohms
from brakewater.units import Dimension, UnitError, parse

_NOMINAL: Final = {"pt100": 100.0, "pt1000": 1000.0}
_WHOLE: Final = ("int16", "uint16", "int32", "uint32")
_BY_OHMS: Final = {"wires", "ohms"}
_BY_LENGTH: Final = {"wires", "length", "ohms-per-km", "at"}
_WHAT: Final = (
    '{ wires = 2, ohms = 1.2 }, or { wires = 2, length = "30 m", ohms-per-km = 20.95, at = "20 degC" }; '
    "wires = 3 or 4 need nothing else"
)


def thermometer(entry: PointEntry, dimension: Dimension, complain: Complain) -> Pt100 | None:
    """A Pt100 or Pt1000 read in ohms."""
    kind = entry.signal["kind"]
    if dimension is not Dimension.TEMPERATURE:
        what = kind.capitalize()
        complain(("signal", "kind"), repr(kind), f"a kind that gives {dimension.value}; a {what} gives a temperature")
        return None
    what = "a number of ohms, without a unit, for example 0.01"
    if "ohms-per-count" not in entry.signal and entry.type in _WHOLE:
        complain(("signal", "ohms-per-count"), f"nothing with {entry.type}", f"{what}: whole registers hold counts")
        return None
    per_count = number(entry, "ohms-per-count", 1.0, complain, what)
    offset = _offset(entry, complain)
    if per_count is None or offset is None:
        return None
    return built(lambda: Pt100(ohms_per_count=per_count, ohms_offset=offset, r0=_NOMINAL[kind]), complain)


def _offset(entry: PointEntry, complain: Complain) -> float | None:
    """What to add to the ohms read, by ``lead-ohms`` or ``leads``."""
    if "leads" not in entry.signal:
        ohms = number(entry, "lead-ohms", 0.0, complain, "a number of ohms, without a unit, for example 0.01")
        return None if ohms is None else -ohms
    if "lead-ohms" in entry.signal:
        complain(("signal", "lead-ohms"), "lead-ohms beside leads", "one of them")
        return None
    return _of_leads(entry.signal["leads"], complain)


def _of_leads(table: Any, complain: Complain) -> float | None:
    if not isinstance(table, Mapping) or not (set(table) <= _BY_OHMS or set(table) <= _BY_LENGTH):
        complain(("signal", "leads"), repr(table), _WHAT)
        return None
    wires = table.get("wires")
    if not isinstance(wires, int) or isinstance(wires, bool):
        complain(("signal", "leads"), repr(table), _WHAT)
        return None
    try:
        ohms = _ohms(table, wires)
        return Leads(wires=wires, ohms=ohms).ohms_offset
    except UnitError as error:
        complain(("signal", "leads"), error.found, error.allowed)
    except ValueError as error:
        found, _, allowed = str(error).partition("; allowed: ")
        complain(("signal", "leads"), found.replace(": found ", " "), allowed or _WHAT)
    return None


def _ohms(table: Mapping[str, Any], wires: int) -> float:
    """Ohms in the reading; both leads of two wires."""
    if "length" in table:
        if wires != 2:
            raise UnitError(
                f"a length with wires = {wires}", "a length with wires = 2: of more wires only what differs stays"
            )
        if not is_number(table.get("ohms-per-km")):
            raise UnitError(
                f"ohms-per-km {told(table.get('ohms-per-km'))}", "a number from the wire's table, 20.95 for 18 AWG"
            )
        length = parse(str(table["length"]), Dimension.LENGTH)
        at = parse(str(table.get("at", "20 degC")), Dimension.TEMPERATURE)
        return 2.0 * copper_ohms(length, float(table["ohms-per-km"]) / 1000.0, at)
    ohms = table.get("ohms", 0.0)
    if not is_number(ohms) or (wires == 2 and "ohms" not in table):
        raise UnitError(f"ohms {told(table.get('ohms'))}", _WHAT)
    return float(ohms)
