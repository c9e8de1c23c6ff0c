"""The change of crew as a command: the record says who handed the tour over to whom. The engine itself does nothing."""

from typing import Final

from brakewater.engine.asking import name_of, utc_ns_of
from brakewater.engine.refusals import refused
from brakewater.stream import Command

_MOST_REMARK: Final = 500
_LONGEST_NS: Final = 48 * 3600 * 1_000_000_000
"""What is handed over is a tour, not a week."""


def hand_over(command: Command, _desk: object) -> str:
    """Check two names, the tour's begin and a remark.

    Raises:
        RefusedError: one of them is missing or makes no sense.
    """
    args = command.request.args
    by, to = name_of(args, "by"), name_of(args, "to")
    begun = utc_ns_of("from", args.get("from"))
    if not 0 <= command.utc_ns - begun <= _LONGEST_NS:
        raise refused("tour-begin", said=args["from"])
    remark = args.get("remark", "")
    if not isinstance(remark, str) or len(remark) > _MOST_REMARK:
        raise refused("remark-long", most=_MOST_REMARK)
    return f"tour handed over by {by} to {to}"
