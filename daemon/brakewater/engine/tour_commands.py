"""The change of crew as a command: the record says who handed the tour over to whom. The engine itself does nothing."""

from typing import Any, Final

from brakewater.engine.asking import RefusedError, utc_ns_of
from brakewater.stream import Command

_MOST_NAME: Final = 60
_MOST_REMARK: Final = 500
_LONGEST_NS: Final = 48 * 3600 * 1_000_000_000
"""What is handed over is a tour, not a week."""


def hand_over(command: Command, _desk: object) -> str:
    """Check two names, the tour's begin and a remark.

    Raises:
        RefusedError: one of them is missing or makes no sense.
    """
    args = command.request.args
    by, to = _name(args, "by"), _name(args, "to")
    begun = utc_ns_of("from", args.get("from"))
    if not 0 <= command.utc_ns - begun <= _LONGEST_NS:
        raise RefusedError(f'"from" {args["from"]}; allowed: when this tour began, at most 48 h ago')
    remark = args.get("remark", "")
    if not isinstance(remark, str) or len(remark) > _MOST_REMARK:
        raise RefusedError(f'"remark": allowed: a text of {_MOST_REMARK} characters at most')
    return f"tour handed over by {by} to {to}"


def _name(args: Any, key: str) -> str:
    name = args.get(key)
    if not isinstance(name, str) or not 0 < len(name.strip()) <= _MOST_NAME or not name.isprintable():
        raise RefusedError(f'"{key}": allowed: the name of a person, 1 to {_MOST_NAME} characters')
    return name.strip()
