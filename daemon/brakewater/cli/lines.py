"""Events and pictures as lines on a terminal."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from brakewater.rig import Rig
    from brakewater.stream import Answer, Input, Picture

_SHOWN_ROLES = ("inlet-flow", "inlet-temperature", "outlet-temperature", "brake-level")
_SHOWN_DERIVED = {"heat_w": "heat", "cooling_margin": "margin", "level_rate_m_s": "level rate"}
_ROLE_WORDS = {
    "inlet-flow": "flow",
    "inlet-temperature": "inlet",
    "outlet-temperature": "outlet",
    "brake-level": "level",
}


def moment(t: str) -> str:
    """A time with its date, in UTC: ``2031-02-03 04:05:06.200Z``."""
    return t.replace("T", " ")


def event_line(shown: Mapping[str, Any]) -> str:
    """A rendered event: time, priority, what happened, and what to do."""
    from brakewater.render import came_first  # noqa: PLC0415 - only when needed

    mark = "first out: " if came_first(shown) else ""
    line = f"{moment(shown['t'])}  {shown['priority']:<8}  {mark}{shown['text']}"
    return f"{line}\n{'':36}{shown['respond']}" if shown.get("respond") and shown["to"] == "unacknowledged" else line


def between_line(item: "Input", rig: str, answers: "Sequence[Answer]" = ()) -> str:
    """What an input that is no scan says: a start, a note, another command, a gap; empty for scans.

    Args:
        item: the input.
        rig: name of the rig.
        answers: what the engine answered to a command; a refusal is told.
    """
    from brakewater.engine.byhand import RECALL  # noqa: PLC0415 - only when needed
    from brakewater.stream import Command, Gap, Start  # noqa: PLC0415
    from brakewater.units import utc_text  # noqa: PLC0415

    match item:
        case Start():
            says = f"run {item.run} of rig {rig} begins, version {item.version}"
        case Command() if item.request.do == "note":
            says = f"note by {item.request.actor}: {item.request.args.get('text')}"
        case Command():
            args = {key: value for key, value in item.request.args.items() if key != RECALL}  # the door's, nobody's
            said = ", ".join(f"{key} {_told(value)}" for key, value in args.items())
            says = f"{item.request.actor} asked: {item.request.do} {said}".rstrip()
            says += "".join(f"; REFUSED: {answer.says}" for answer in answers if not answer.ok)
        case Gap():
            says = f"inputs {item.lost_first} to {item.lost_last} of run {item.lost_run} were not recorded: {item.why}"
        case _:
            return ""
    return f"{moment(utc_text(item.utc_ns))}  {'-':<8}  {says}"


def _told(value: Any) -> str:
    """An argument on one line: readings each by its name, of a loop check's sheet only how it came out."""
    if not isinstance(value, Mapping):
        return str(value)
    if "passed" not in value and all(isinstance(one, str | int | float) for one in value.values()):
        return ", ".join(f"{name} {one}" for name, one in value.items())
    passed = value.get("passed")
    outcome = "in the record" if passed is None else "passed" if passed is True else "FAILED"
    if passed is True and value.get("proves") is False:
        outcome = "passed, over too little of its range"
    return f"of {value.get('by') or 'nobody named'}, {outcome}"


def picture_line(rig: "Rig", picture: "Picture") -> str:
    """The live values of every brake on one line."""
    from brakewater.render import derived_now, reading_line  # noqa: PLC0415 - only when needed
    from brakewater.units import utc_text  # noqa: PLC0415

    parts = []
    for brake in rig.brakes:
        for role in _SHOWN_ROLES:
            point = rig.role(role, brake.name)
            if point is not None:
                parts.append(f"{_ROLE_WORDS[role]} {reading_line(rig, point, picture.readings[point.name])}")
        for quantity, word in _SHOWN_DERIVED.items():
            parts.append(f"{word} {derived_now(rig, picture, brake.name, quantity)}")
    return f"{utc_text(picture.utc_ns)[11:-1]}  {', '.join(parts)}"
