"""Restart is replay: what the record says the watch was when it stopped."""

import logging
from collections.abc import Iterator
from dataclasses import dataclass

from brakewater.clock import MachineClock, going_on
from brakewater.engine import Engine
from brakewater.errors import BrakewaterError, DamagedRecordError
from brakewater.record.reader import Record
from brakewater.stream import Block, Input, Start

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """Where a new run goes on from."""

    engine: Engine
    """Fed with the last run, or fresh where there is none that can be used."""
    snapshot: bytes
    run: int
    """Number for the new run."""
    clock: MachineClock


def restored(record: Record | None) -> Restored:
    """Run the committed tail of a record through an engine.

    Damage ends the tail early and is logged. A tail that this version cannot run (an old rig file it refuses, or a
    defect of ours) is left where it is, and the watch begins without memory rather than not at all.
    """
    tail = None
    if record is not None:
        try:
            tail = record.tail()
        except DamagedRecordError as error:
            _log.error("the last run cannot be read, the watch begins without memory: %s", error)
    if tail is None or record is None:
        run = record.next_run() if record is not None else 1
        return Restored(engine=Engine(), snapshot=b"", run=run, clock=going_on(None))
    start, rest = tail
    engine = Engine()
    last = _Last(t_ns=start.t_ns, utc_ns=start.utc_ns)
    try:
        engine.feed(start)
        _feed(engine, rest, last)
        snapshot = engine.state()
    except DamagedRecordError as error:
        _log.error("the record is damaged; the watch goes on from what is whole: %s", error)
        snapshot = engine.state()
    except Exception as error:  # noqa: BLE001 - whatever the past holds, the watch must begin
        expected = isinstance(error, BrakewaterError)
        _log.error("the last run cannot be replayed, the watch begins without memory: %s", error, exc_info=not expected)
        engine, snapshot = Engine(), b""
    clock = going_on(start, last.t_ns, last.utc_ns)
    return Restored(engine=engine, snapshot=snapshot, run=record.next_run(), clock=clock)


@dataclass(slots=True, kw_only=True)
class _Last:
    t_ns: int
    utc_ns: int


def _feed(engine: Engine, items: Iterator[Input], last: _Last) -> None:
    for item in items:
        engine.feed(item)
        last.t_ns, last.utc_ns = last_stamps(item)


def last_stamps(item: Input) -> tuple[int, int]:
    """Steady and wall time of the last scan, command or gap of an item, ns."""
    if isinstance(item, Block):
        return int(item.t_ns[-1]), int(item.utc_ns[-1])
    return item.t_ns, item.utc_ns


def start_of(restored_: Restored, *, version: str, rig_toml: str) -> Start:
    """The Start of the run that goes on from there, stamped now."""
    return Start(
        run=restored_.run,
        t_ns=restored_.clock.steady_ns(),
        utc_ns=restored_.clock.utc_ns(),
        boot=restored_.clock.boot,
        version=version,
        rig_toml=rig_toml,
        snapshot=restored_.snapshot,
    )
