"""The commands that take a point out of measuring and give it back: substitute, restore, check-begin, check-end."""

import difflib
from collections.abc import Mapping
from typing import Any, Final

from brakewater.engine.asking import ends, reason_of, until_of
from brakewater.engine.byhand import CHECK, RECALL, SUBSTITUTED, Hands
from brakewater.engine.refusals import RefusedError
from brakewater.rig import SELF, Point, Rig
from brakewater.rig.roles import ROLES
from brakewater.signals.convert import CurrentLoop
from brakewater.stream import ByHand, Command
from brakewater.units import UnitError, parse

_CONTACT: Final = {"on": 1.0, "1": 1.0, "off": 0.0, "0": 0.0}


def substitute(command: Command, rig: Rig, hands: Hands) -> str:
    """A value that stands in for a sensor; what to say.

    Raises:
        RefusedError: the command makes no sense; nothing was changed.
    """
    point, reason = _point(rig, command.request.args), reason_of(command.request.args)
    value = _value(point, command.request.args)
    until_ns = until_of(command)
    held = hands.of(point.name)
    if held is not None and held.what == CHECK:
        raise RefusedError(f"{point.name} is under function check by {held.actor}; end that first: check-end")
    _hold(command, hands, (point, SUBSTITUTED, value, reason), until_ns)
    over = "" if held is None else f"; it takes the place of what {held.actor} entered"
    return f"{point.name} is substituted until {ends(command, until_ns)}; it counts as uncertain{over}"


def restore(command: Command, rig: Rig, hands: Hands) -> str:
    """The sensor's own value again.

    Raises:
        RefusedError: nothing is substituted there.
    """
    return _release(command, rig, hands, SUBSTITUTED, "is measured again")


def check_begin(command: Command, rig: Rig, hands: Hands) -> str:
    """What the point shows is injected, not measured.

    Raises:
        RefusedError: the command makes no sense; nothing was changed.
    """
    point, reason = _point(rig, command.request.args), reason_of(command.request.args)
    until_ns = until_of(command)
    held = hands.of(point.name)
    if held is not None and held.what == SUBSTITUTED:
        raise RefusedError(f"{point.name} is substituted by {held.actor}; end that first: restore")
    _hold(command, hands, (point, CHECK, None, reason), until_ns)
    over = "" if held is None else f"; it takes the place of the check by {held.actor}: whoever ends one ends both"
    return f"{point.name} is under function check until {ends(command, until_ns)}; it counts as bad{over}"


def check_end(command: Command, rig: Rig, hands: Hands) -> str:
    """The check is over.

    Raises:
        RefusedError: none is under way there.
    """
    return _release(command, rig, hands, CHECK, "is measured again")


def loop_sheet(command: Command, rig: Rig, _hands: Hands) -> str:
    """Take the sheet of a loop check into the record: ``point`` and ``sheet``, an object.

    Raises:
        RefusedError: no such point, or no sheet.
    """
    point = _point(rig, command.request.args)
    if not isinstance(command.request.args.get("sheet"), dict):
        raise RefusedError("a loop sheet needs its sheet, an object")
    return f"the sheet of {point.name} is in the record"


def _hold(command: Command, hands: Hands, what: tuple[Point, str, float | None, str], until_ns: int) -> None:
    point, kind, value, reason = what
    shown = ByHand(
        point=point.name,
        what=kind,
        value=value,
        actor=command.request.actor,
        reason=reason,
        since_utc_ns=command.utc_ns,
        until_utc_ns=command.utc_ns + until_ns - command.t_ns,
    )
    hands.hold(shown, until_ns, recalls=command.request.args.get(RECALL) is True)


def _release(command: Command, rig: Rig, hands: Hands, what: str, says: str) -> str:
    point = _point(rig, command.request.args)
    held = hands.of(point.name)
    if held is None or held.what != what:
        raise RefusedError(f"{point.name} is not {'substituted' if what == SUBSTITUTED else 'under function check'}")
    hands.release(point.name)
    return f"{point.name} {says}"


def _point(rig: Rig, args: Mapping[str, Any]) -> Point:
    names = {point.name: point for point in rig.points if point.device != SELF}
    asked = args.get("point")
    if not isinstance(asked, str) or not asked:
        raise RefusedError('say which point, for example "point": "' + next(iter(names)) + '"')
    if asked in names:
        return names[asked]
    if asked.startswith(f"{SELF}."):
        raise RefusedError(f"{asked} is the watch's own and is never set by hand")
    close = difflib.get_close_matches(asked[:64], names, n=3, cutoff=0.0)
    raise RefusedError(f'no point "{asked[:64]}"; nearest: {", ".join(close)}')


def _value(point: Point, args: Mapping[str, Any]) -> float:
    """In SI, within what the sensor could measure."""
    text, role = args.get("value"), ROLES[point.role]
    if role.bit:
        if not isinstance(text, str) or text not in _CONTACT:
            raise RefusedError(f'{point.name} is a contact; a value is "on" or "off"')
        return _CONTACT[text]
    if not isinstance(text, str):
        raise RefusedError('a value with its unit is needed, in quotes, for example "75 gal/min"')
    try:
        value = parse(text, role.dimension)
    except UnitError as error:
        raise RefusedError(f"value {error.found}; allowed: {error.allowed}") from error
    signal = point.signal
    ends = sorted((signal.low, signal.high)) if isinstance(signal, CurrentLoop) else point.sensed
    if ends is not None and not ends[0] <= value <= ends[1]:
        raise RefusedError(f"value {text!r} lies outside of what the sensor of {point.name} can measure")
    return value
