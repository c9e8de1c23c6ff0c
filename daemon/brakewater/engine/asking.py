"""What a command asks with: its reason, until when, and how old it is. Whatever is wrong is refused with the reason."""

import re
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from brakewater.engine.refusals import RefusedError, refused
from brakewater.rig import Rig
from brakewater.rig.people import standing
from brakewater.stream import Command
from brakewater.units import utc_text

_HOUR_NS: Final = 3600 * 1_000_000_000
LONGEST_NS: Final = 8 * _HOUR_NS
"""A tour or less: whoever comes next decides anew."""
_MINUTE_NS: Final = 60_000_000_000
_MOST_REASON: Final = 500
_MOST_NAME: Final = 60
_UTC: Final = re.compile(r"^(2[01]\d\d-\d\d-\d\dT\d\d:\d\d(?::\d\d(?:\.\d{1,9})?)?)Z$")
MOST_AGE_NS: Final = 60_000_000_000
"""A command that says when it was given (``t``) is carried out within so long, or not at all."""


def reason_of(args: Mapping[str, Any]) -> str:
    """Why, in a person's words.

    Raises:
        RefusedError: there is none, or a novel.
    """
    reason = args.get("reason")
    if not isinstance(reason, str) or not reason.strip():
        raise RefusedError("a reason is needed: whoever comes next must know why")
    if len(reason) > _MOST_REASON:
        raise RefusedError(f"a reason has at most {_MOST_REASON} characters")
    return reason.strip()


def name_of(args: Mapping[str, Any], key: str) -> str:
    """The name of a person.

    Raises:
        RefusedError: there is none, or it is no name.
    """
    name = args.get(key)
    if not isinstance(name, str) or not 0 < len(name.strip()) <= _MOST_NAME or not name.isprintable():
        raise refused("name-none", key=key, most=_MOST_NAME)
    return name.strip()


def until_of(command: Command, longest_ns: int = LONGEST_NS) -> int:
    """The end in steady time, from ``minutes`` or ``until``.

    Raises:
        RefusedError: there is none, or it lies behind or too far ahead.
    """
    args = command.request.args
    if ("minutes" in args) == ("until" in args):
        raise RefusedError('an end is needed: "minutes", or "until" such as "2031-02-03T06:00:00Z"; one of them')
    timed = "minutes" in args
    left_ns = _minutes_ns(args["minutes"], longest_ns) if timed else utc_ns_of("until", args["until"]) - command.utc_ns
    if left_ns <= 0:
        raise RefusedError("the end must lie ahead")
    if left_ns > longest_ns:
        whole_hours = longest_ns % _HOUR_NS == 0
        most = f"{longest_ns // _HOUR_NS} h" if whole_hours else f"{longest_ns // _MINUTE_NS} min"
        raise RefusedError(f"at most {most}; then someone must decide anew")
    return command.t_ns + left_ns


def _minutes_ns(minutes: Any, longest_ns: int) -> int:
    try:
        number = float(minutes) if not isinstance(minutes, bool) else np.nan
    except (TypeError, ValueError, OverflowError):
        number = np.nan
    if not abs(number) < 1e9:
        raise RefusedError(f"minutes {minutes!r}; allowed: a number above 0, up to {longest_ns // _MINUTE_NS}")
    return round(number * _MINUTE_NS)


def utc_ns_of(key: str, text: Any) -> int:
    """Wall time that a command says, ns since 1970.

    Raises:
        RefusedError: it is none; names the key.
    """
    match = _UTC.match(text) if isinstance(text, str) else None
    refusal = refused("time-none", key=key, said=repr(text))
    if match is None:
        raise refusal
    try:
        return int(np.datetime64(match.group(1), "ns").astype(np.int64))
    except ValueError as error:  # the 31st of June
        raise refusal from error


def ends(command: Command, until_ns: int) -> str:
    """The wall time of an end in steady time."""
    return utc_text(command.utc_ns + until_ns - command.t_ns)


def check_age(command: Command) -> None:
    """Refuses what was given too long ago, so that a command kept back somewhere does nothing when it arrives.

    Raises:
        RefusedError: it is stale, comes from a clock far ahead, or says no time that can be read.
    """
    said = command.request.args.get("t")
    if said is None:
        return
    age_ns = command.utc_ns - utc_ns_of("t", said)
    if abs(age_ns) > MOST_AGE_NS:
        how = "old" if age_ns > 0 else "ahead of the watch's clock"
        raise RefusedError(
            f"this command is {abs(age_ns) / 1e9:.0f} s {how}; at most {MOST_AGE_NS // 1_000_000_000} s; give it again"
        )


def is_meant(command: Command, rig: Rig | None) -> bool:
    """Whether a recorded command was fresh when it came, and given by who may: one that was not is recorded as well.

    Args:
        command: as recorded.
        rig: the rig file in force then; None where that cannot be read: who may what cannot be told.
    """
    try:
        check_age(command)
    except RefusedError:
        return False
    return rig is None or command.request.do in standing(rig, command.request.actor)[1]
