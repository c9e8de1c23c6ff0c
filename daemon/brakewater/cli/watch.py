"""The live picture in a terminal: values, alarms and what to do, until Ctrl-C."""

import argparse
import asyncio
import contextlib
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Final

from brakewater.cli.places import record_argument

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from brakewater.rig import Rig
    from brakewater.stream import Picture

_OLD_S: Final = 2.0
"""A picture older than this is not shown as live."""
_AGAIN_S: Final = 0.5
_EVERY_S: Final = 0.25
_LINE_S: Final = 1.0
"""Between two lines where nobody sits at a terminal."""
_DEAD: Final = "NO LIVE PICTURE: the watch is not heard. Look at the gauges; call the instrument tech."


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    record_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Ends with Ctrl-C. Into a pipe it writes a line a second."""
    from rich.console import Console  # noqa: PLC0415 - only when needed

    console = Console()
    seen = Seen(args.record)
    seen.know()  # says at once where no watch is at work
    asyncio.run(_full(seen, console) if console.is_terminal else _lines(seen))
    return 0


class Seen:
    """What the watch shows now."""

    def __init__(self, folder: Path) -> None:
        """Nothing is followed yet."""
        self._folder = folder
        self._heard_s = -_OLD_S
        self._picture: Picture | None = None
        self.rig: Rig | None = None

    def know(self) -> None:
        """Ask for the rig file in force.

        Raises:
            DeviceError: no watch answers.
        """
        from brakewater.control import ask  # noqa: PLC0415 - only when needed
        from brakewater.rig import parse  # noqa: PLC0415

        found = ask(self._folder, {"ask": "rig"}, holding="toml")
        self.rig = parse(found["toml"], found["file"])

    @property
    def picture(self) -> "Picture | None":
        """The newest; None where it may not be believed any more."""
        return self._picture if monotonic() - self._heard_s < _OLD_S else None

    async def follow(self) -> None:
        """For ever; a watch that is away is tried again."""
        from brakewater.control import follow  # noqa: PLC0415 - only when needed
        from brakewater.errors import BrakewaterError  # noqa: PLC0415
        from brakewater.live import picture_of  # noqa: PLC0415

        while True:
            with contextlib.suppress(OSError, ValueError, BrakewaterError):
                async for doc in follow(self._folder):
                    picture = picture_of(doc)
                    if self._picture is not None and picture.run != self._picture.run:
                        await asyncio.to_thread(self.know)
                    self._picture, self._heard_s = picture, monotonic()
            self._heard_s = -_OLD_S  # it has hung up: nothing it said is live
            await asyncio.sleep(_AGAIN_S)


async def _full(seen: Seen, console: "Console") -> None:
    from rich.live import Live  # noqa: PLC0415 - only when needed

    following = asyncio.create_task(seen.follow(), name="follow")
    with Live(console=console, screen=True, auto_refresh=False) as live:
        while not following.done():
            live.update(page(seen.rig, seen.picture), refresh=True)
            await asyncio.sleep(_EVERY_S)
    following.result()


async def _lines(seen: Seen) -> None:
    from brakewater.cli.lines import picture_line  # noqa: PLC0415 - only when needed

    following = asyncio.create_task(seen.follow(), name="follow")
    await asyncio.sleep(_LINE_S)
    while not following.done():
        rig, picture = seen.rig, seen.picture
        print(_DEAD if rig is None or picture is None else picture_line(rig, picture), flush=True)
        await asyncio.sleep(_LINE_S)
    following.result()


def page(rig: "Rig | None", picture: "Picture | None") -> "RenderableType":
    """One screen.

    Args:
        rig: in force when the picture was taken; None before it is known.
        picture: the newest; None where there is none to believe: then no number is shown.
    """
    from rich.console import Group  # noqa: PLC0415 - only when needed
    from rich.text import Text  # noqa: PLC0415

    from brakewater.cli import CAUTION  # noqa: PLC0415
    from brakewater.units import utc_text  # noqa: PLC0415

    if rig is None or picture is None:
        return Text(f"\n  {_DEAD}\n", style="bold reverse")
    head = Text(f"watching rig {rig.name}   {utc_text(picture.utc_ns)}", style="bold")
    return Group(head, *_alarms(rig, picture), _values(rig, picture), Text(CAUTION, style="dim"))


def _alarms(rig: "Rig", picture: "Picture") -> "list[RenderableType]":
    """What stands, first the first-out, then what has not been acknowledged."""
    from rich.text import Text  # noqa: PLC0415 - only when needed

    from brakewater.render import alarm_now  # noqa: PLC0415

    standing = [alarm for alarm in picture.alarms if alarm.state != "normal" or alarm.test is not None]
    standing.sort(key=lambda alarm: (not alarm.first_out, alarm.state != "unacknowledged", alarm.since_utc_ns))
    lines: list[RenderableType] = []
    for alarm in standing:
        shown = alarm_now(rig, alarm)
        style = "bold reverse" if alarm.state == "unacknowledged" else "bold"
        first = "FIRST  " if alarm.first_out else ""
        lines.append(Text(f"{alarm.priority.upper():<8}  {first}{shown['text']}", style=style))
        if shown["respond"]:
            lines.append(Text(f"{'':10}{shown['respond']}"))
    return lines or [Text("no alarm standing")]


def _values(rig: "Rig", picture: "Picture") -> "RenderableType":
    from rich.table import Table  # noqa: PLC0415 - only when needed
    from rich.text import Text  # noqa: PLC0415

    from brakewater.render import derived_now, reading_line, spoken  # noqa: PLC0415
    from brakewater.rig import SELF  # noqa: PLC0415

    rows = [
        (point.name, reading_line(rig, point, picture.readings[point.name]))
        for point in rig.points
        if point.device != SELF and point.name in picture.readings
    ]
    rows += [
        (f"{brake} {spoken(name)}", derived_now(rig, picture, brake, name))
        for brake, name in picture.derived
        if "_std" not in name
    ]
    table = Table.grid(padding=(0, 2))
    half = (len(rows) + 1) // 2  # two columns side by side, so that they fit a small terminal
    for at in range(half):
        cells = [*rows[at], *(rows[at + half] if at + half < len(rows) else ("", ""))]
        table.add_row(*(Text(cell) for cell in cells))
    return table
