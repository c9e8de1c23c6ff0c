"""A short trip as a watch would have recorded it: with its events, and with commands that people gave in it."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from brakewater.engine import Engine
from brakewater.record.backlog import Entry
from brakewater.record.documents import canonical, event_doc
from brakewater.record.journal import connect_plainly
from brakewater.record.reader import Record
from brakewater.record.writer import SegmentWriter
from brakewater.rig import parse
from brakewater.rig.load import demo_file
from brakewater.stream import Block, Command, Input, Request, Start
from brakewater_sim.offline import record
from brakewater_sim.story import parse as story

STORY = """
schema = 1
[scenario]
name = "short"
length = "9 min"
warmup = "60 s"
[[leg]]
from = "2400 m"
to = "2490 m"
crew = 5
"""
TWO_TRIPS = (
    STORY.replace("9 min", "22 min")
    + """
[[leg]]
direction = "out"
wait = "4 min"
from = "2490 m"
to = "2370 m"
crew = 6
"""
)
MORE = "\n[upkeep]\nplugs = 4\n"
SET = {"setting": "aux.outlet-temperature-high.setpoint", "value": "95 degF", "reason": "a look at the hot end"}
SAID: tuple[tuple[int, str, str, dict[str, Any]], ...] = (
    (900, "engineer", "set", SET),
    (1200, "engineer", "note", {"text": "hose <moved> & clamped"}),
    (1300, "driller", "set", SET),
    (1500, "driller", "acknowledge", {"alarm": "all"}),
)
"""Input, actor, verb, arguments."""


def write_trip(
    place: Path,
    said: Sequence[tuple[int, str, str, dict[str, Any]]] = SAID,
    told: str = STORY,
    panel: str = "",
) -> Path:
    """A record folder; each command takes the place of one scan, so that numbers stay whole.

    Args:
        place: for the folder.
        said: commands.
        told: the story.
        panel: further lines of the rig file's ``[panel]``.
    """
    text = demo_file().read_text(encoding="utf-8").replace("[panel]\n", f"[panel]\n{panel}") + MORE
    record(story(told), parse(text), place / "inputs", seed=1)
    engine = Engine()
    (place / "trip").mkdir()
    writer = SegmentWriter(place / "trip", connect_plainly)
    for item in _with(Record(place / "inputs"), said):
        events = tuple((one.n, one.input, canonical(event_doc(one))) for one in engine.feed(item).events)
        first, last = (int(item.input[0]), int(item.input[-1])) if isinstance(item, Block) else (item.input, item.input)
        writer.write([Entry(item=item, first=first, last=last, events=events, ticket=None)])
    writer.close()
    return place / "trip"


def _with(made: Record, said: Sequence[tuple[int, str, str, dict[str, Any]]]) -> list[Input]:
    items: list[Input] = []
    commands = {number: (actor, do, args) for number, actor, do, args in said}
    for item in made.inputs():
        if isinstance(item, Start):
            items.append(item)
        elif isinstance(item, Block):
            items += _cut(item, commands)
    return items


def _cut(block: Block, commands: dict[int, tuple[str, str, dict[str, Any]]]) -> list[Input]:
    at = np.flatnonzero(np.isin(block.input, list(commands))).tolist()
    items: list[Input] = []
    begin = 0
    for place in at:
        if place > begin:
            items.append(block.cut(begin, place))
        number = int(block.input[place])
        actor, do, args = commands[number]
        request = Request(id=f"c{number}", actor=actor, do=do, args=args)
        items.append(
            Command(
                run=block.run,
                input=number,
                t_ns=int(block.t_ns[place]),
                utc_ns=int(block.utc_ns[place]),
                request=request,
            )
        )
        begin = place + 1
    if begin < len(block):
        items.append(block.cut(begin, len(block)))
    return items
