"""How a point's number becomes a value, in one line that can be held against a register list."""

from brakewater.render import dimension_of_point
from brakewater.rig import Point
from brakewater.signals.convert import Bit, CurrentLoop, Direct, Linear, Pt100
from brakewater.units import shown


def signal_text(point: Point, system: str) -> str:
    """For example ``4-20 mA 0..27648 = 0..150 gal/min``.

    Args:
        point: whose signal.
        system: ``rig.units``.
    """
    signal = point.signal
    match signal:
        case CurrentLoop() | Linear():
            low, unit = shown(signal.low, dimension_of_point(point), system)
            high, _ = shown(signal.high, dimension_of_point(point), system)
            kind = "4-20 mA" if isinstance(signal, CurrentLoop) else "linear"
            return f"{kind} {signal.raw_low:g}..{signal.raw_high:g} = {low:.4g}..{high:.4g} {unit}"
        case Pt100():
            leads = f" {signal.ohms_offset:+g} ohm" if signal.ohms_offset else ""
            return f"Pt{signal.r0:.0f}, {signal.ohms_per_count:g} ohm a count{leads}"
        case Direct():
            zero, unit = shown(signal.offset, dimension_of_point(point), system)
            full, _ = shown(100 * signal.scale + signal.offset, dimension_of_point(point), system)
            return f"direct, 0..100 = {zero:.4g}..{full:.4g} {unit}".removesuffix(" 1")
        case Bit():
            return "contact, inverted" if signal.inverted else "contact"
        case _:
            return f"{type(signal).__name__.lower()} {signal}"
