"""A legal hold that was recorded, put where trimming goes by."""

from pathlib import Path
from typing import Final

from brakewater.engine.commands import mark
from brakewater.engine.hold_commands import window
from brakewater.errors import StorageError
from brakewater.record.holds import Hold, add_hold, end_hold
from brakewater.stream import Answer, Request

HOLDS: Final = ("hold", "release-hold")
"""Commands that are carried out here, once they stand in the record."""


def held(folder: Path, request: Request, answer: Answer) -> Answer:
    """Carry out a hold or its release that the engine has accepted; the answer says so only when it is durable."""
    args, ok, says = request.args, answer.ok, answer.says
    try:
        if request.do == "hold":
            begin, end = window(args)
            one = Hold(
                id=mark(request)[:8], from_utc_ns=begin, to_utc_ns=end, actor=request.actor, reason=str(args["reason"])
            )
            add_hold(folder, one)
            says = f"hold {one.id}: {says}"
        else:
            end_hold(folder, str(args["hold"]), request.actor, str(args["reason"]))
    except StorageError as error:
        ok, says = False, f"recorded, but NOT in force: {error}"
    return Answer(id=answer.id, actor=answer.actor, ok=ok, says=says)
