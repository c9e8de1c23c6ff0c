"""Restart is replay: what the record says the watch was when it stopped."""

import logging
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain, takewhile

from brakewater.clock import MachineClock, going_on
from brakewater.engine import Engine
from brakewater.errors import BrakewaterError, StorageError
from brakewater.record.reader import Record
from brakewater.record.segment import NewerRecordError
from brakewater.rig import Rig
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
    damage: tuple[str, ...] = ()
    """What of the newest runs could not be read."""


def restored(record: Record | None) -> Restored:
    """Run the committed tail of a record through an engine.

    Damage ends the tail early and is logged; where not even the Start of the last run can be read, the run before it
    is the tail. A tail that this version cannot run (an old rig file it refuses, or a defect of ours) is left where it
    is, and the watch begins without memory rather than not at all; steady time goes on all the same.

    Raises:
        NewerRecordError: a newer version wrote the record.
        StorageError: the folder cannot be listed.
    """
    if record is None:
        return Restored(engine=Engine(), snapshot=b"", run=1, clock=going_on(None))
    damage: list[str] = []
    tail = _tail(record, damage)
    if tail is None:
        nothing = Engine()
        return Restored(engine=nothing, snapshot=b"", run=record.next_run(), clock=going_on(None), damage=tuple(damage))
    start, rest = tail
    last = _Last(t_ns=start.t_ns, utc_ns=start.utc_ns)
    engine, snapshot = _replayed(last.seeing(chain([start], rest)), damage)
    clock = going_on(start, last.t_ns, last.utc_ns)
    return Restored(
        engine=engine, snapshot=snapshot, run=record.next_run(), clock=clock, damage=tuple(dict.fromkeys(damage))
    )


def _tail(record: Record, damage: list[str]) -> tuple[Start, Iterator[Input]] | None:
    """Start and further inputs of the newest run whose Start can be read; ``damage`` gets what could not."""
    for run in reversed(record.runs()):
        items = takewhile(lambda item, run=run: item.run == run, record.inputs(from_run=run))  # type: ignore[misc]
        try:
            start = next(items, None)
            if isinstance(start, Start):
                return start, items
            _log.error("run %d cannot be read, the watch goes on from the run before: it has no start", run)
            damage.append(f"run {run}: it has no start")
        except NewerRecordError:
            raise
        except StorageError as error:
            _log.error("run %d cannot be read, the watch goes on from the run before: %s", run, error)
            damage.append(str(error))
    return None


def _replayed(items: Iterator[Input], damage: list[str]) -> tuple[Engine, bytes]:
    """An engine that went through the items, and its state; one without memory where it cannot go through them."""
    engine = Engine()
    try:
        _feed(engine, items, damage)
        return engine, engine.state()
    except Exception as error:  # noqa: BLE001 - whatever the past holds, the watch must begin
        expected = isinstance(error, BrakewaterError)
        _log.error("the last run cannot be replayed, the watch begins without memory: %s", error, exc_info=not expected)
    with suppress(StorageError):
        for _ in items:  # only to see where time stood
            pass
    return Engine(), b""


def _feed(engine: Engine, items: Iterator[Input], damage: list[str]) -> None:
    try:
        for item in items:
            engine.feed(item)
    except StorageError as error:
        _log.error("the record is damaged; the watch goes on from what is whole: %s", error)
        damage.append(str(error))


@dataclass(slots=True, kw_only=True)
class _Last:
    """Where time stood at the last input seen."""

    t_ns: int
    utc_ns: int

    def seeing(self, items: Iterator[Input]) -> Iterator[Input]:
        """The items, noted as they pass."""
        for item in items:
            if isinstance(item, Block):
                self.t_ns, self.utc_ns = int(item.t_ns[-1]), int(item.utc_ns[-1])
            else:
                self.t_ns, self.utc_ns = item.t_ns, item.utc_ns
            yield item


def start_of(restored_: Restored, *, version: str, rig: Rig) -> Start:
    """The Start of the run that goes on from there, stamped now."""
    return Start(
        run=restored_.run,
        t_ns=restored_.clock.steady_ns(),
        utc_ns=restored_.clock.utc_ns(),
        boot=restored_.clock.boot,
        version=version,
        rig_toml=rig.text,
        snapshot=restored_.snapshot,
        own=rig.own,
        alarms=rig.keys,
    )
