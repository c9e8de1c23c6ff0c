"""Legal holds as commands: the record says who put which window under hold, and why. The engine itself does nothing."""

from collections.abc import Mapping
from typing import Any

from brakewater.engine.asking import reason_of, utc_ns_of
from brakewater.engine.refusals import RefusedError
from brakewater.stream import Command


def hold(command: Command, _desk: object) -> str:
    """Check a window and a reason."""
    args = command.request.args
    window(args)
    return f"under legal hold from {args['from']} to {args['to']}: {reason_of(args)}"


def release(command: Command, _desk: object) -> str:
    """Check that a hold is named, and a reason."""
    args = command.request.args
    if not isinstance(args.get("hold"), str) or not args["hold"]:
        raise RefusedError('"hold": allowed: the id that was given when it began')
    return f"hold {args['hold']} released: {reason_of(args)}"


def window(args: Mapping[str, Any]) -> tuple[int, int]:
    """Begin and end of the window, ns since 1970.

    Raises:
        RefusedError: they are none.
    """
    begin, end = utc_ns_of("from", args.get("from")), utc_ns_of("to", args.get("to"))
    if end < begin:
        raise RefusedError(f"found a window from {args['from']} back to {args['to']}; allowed: the earlier time first")
    return begin, end
