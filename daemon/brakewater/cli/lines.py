"""Events and pictures as lines on a terminal."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from brakewater.rig import Rig
    from brakewater.stream import Picture

_SHOWN_ROLES = ("inlet-flow", "inlet-temperature", "outlet-temperature", "brake-level")
_SHOWN_DERIVED = {"heat_w": "heat", "cooling_margin": "margin", "level_rate_m_s": "level rate"}
_ROLE_WORDS = {
    "inlet-flow": "flow",
    "inlet-temperature": "inlet",
    "outlet-temperature": "outlet",
    "brake-level": "level",
}


def event_line(shown: Mapping[str, Any]) -> str:
    """A rendered event: time, priority, what happened, and what to do."""
    mark = "first out: " if shown["first_out"] and shown["to"] == "unacknowledged" else ""
    line = f"{shown['t'][11:-1]}  {shown['priority']:<8}  {mark}{shown['text']}"
    return f"{line}\n{'':24}{shown['respond']}" if shown.get("respond") and shown["to"] == "unacknowledged" else line


def picture_line(rig: "Rig", picture: "Picture") -> str:
    """The live values of every brake on one line."""
    from brakewater.render import derived_line, reading_line  # noqa: PLC0415 - only when needed
    from brakewater.units import utc_text  # noqa: PLC0415

    parts = []
    for brake in rig.brakes:
        for role in _SHOWN_ROLES:
            point = rig.role(role, brake.name)
            if point is not None:
                parts.append(f"{_ROLE_WORDS[role]} {reading_line(rig, point, picture.readings[point.name])}")
        for quantity, word in _SHOWN_DERIVED.items():
            parts.append(f"{word} {derived_line(rig, quantity, picture.derived[brake.name, quantity])}")
    return f"{utc_text(picture.utc_ns)[11:-1]}  {', '.join(parts)}"
