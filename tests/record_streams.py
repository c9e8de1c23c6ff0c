"""Streams for the tests of the record: starts, scans, commands, gaps and events with made-up but telling content."""

from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np

from brakewater.engine import Engine
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.stream import Block, Command, Event, Gap, Input, Request, Start

WORDS, POINTS, DEVICES = 12, 10, 2
UTC = 1_927_938_245_123_456_789  # beyond 2**53 and with odd nanoseconds, so that nothing passes through a double
TICK_NS = 200_000_000


def start(run: int = 1, **changed: object) -> Start:
    given: dict[str, object] = {
        "run": run,
        "t_ns": 0,
        "utc_ns": UTC,
        "boot": "b0",
        "version": "0.1.0",
        "rig_toml": '[rig]\nname = "Rig 4"\n',
        "snapshot": b'{"alarms":{}}',
    }
    return Start(**{**given, **changed})  # type: ignore[arg-type]


def block(run: int, first: int, n: int = 1) -> Block:
    number = np.arange(first, first + n, dtype=np.int64)
    column = number[:, np.newaxis]
    return Block(
        run=run,
        input=number,
        t_ns=number * TICK_NS,
        utc_ns=UTC + number * TICK_NS,
        words=((column * 31 + np.arange(WORDS)) % 65536).astype(np.uint16),
        status=((column + np.arange(POINTS)) % 256).astype(np.uint8),
        age_ns=column * 1_000 + np.arange(DEVICES, dtype=np.int64),
    )


def command(run: int, number: int, args: Mapping[str, object] | None = None) -> Command:
    request = Request(id=f"c{number}", actor="driller", do="acknowledge", args=args or {})
    return Command(run=run, input=number, t_ns=number * TICK_NS, utc_ns=UTC + number, request=request)


def gap(run: int, number: int, lost: tuple[int, int, int]) -> Gap:
    return Gap(
        run=run,
        input=number,
        t_ns=number * TICK_NS,
        utc_ns=UTC + number,
        lost_run=lost[0],
        lost_first=lost[1],
        lost_last=lost[2],
        why="disk full",
    )


def event(run: int, number: int, n: int, **changed: object) -> Event:
    given: dict[str, object] = {
        "run": run,
        "input": number,
        "n": n,
        "utc_ns": UTC + number * TICK_NS,
        "rig": "rig-4",
        "brake": "aux",
        "alarm": "cooling-flow-low",
        "was": "normal",
        "now": "unacknowledged",
        "priority": "high",
        "value": 0.003861,
        "reason": 0,
        "setpoint": 0.0047318,
        "why": "condition",
        "actor": None,
        "first_out": True,
    }
    return Event(**{**given, **changed})  # type: ignore[arg-type]


def flat(items: Iterable[Input]) -> list[tuple[object, ...] | Input]:
    """Inputs one by one, scans as tuples of bytes and numbers, so that the cut into blocks does not show."""
    out: list[tuple[object, ...] | Input] = []
    for item in items:
        if not isinstance(item, Block):
            out.append(item)
            continue
        for at in range(len(item)):
            one = item.cut(at, at + 1)
            columns = (one.input, one.t_ns, one.utc_ns, one.words, one.status, one.age_ns)
            out.append((item.run, *[(str(column.dtype), column.tolist()) for column in columns]))
    return out


def read(folder: Path) -> tuple[list[tuple[object, ...] | Input], list[Event]]:
    record = Record(folder)
    return flat(record.inputs()), [committed.event for committed in record.events()]


def watched(folder: Path, items: Iterable[Input], engine: Engine) -> Path:
    """A record of these inputs with the events that they give, as a watch would have written it."""
    with Journal(folder) as journal:
        for item in items:
            events = engine.feed(item).events
            if isinstance(item, Start):
                journal.begin(item, events)
            else:
                journal.append(item, events)
                assert journal.wait_committed(10)
    return folder
