"""The only loop: what sources and people bring is stamped once, recorded, run through the engine and shown.

Inputs wait in a list until the next turn and go through it in order, consecutive samples as one block: one when idle,
hundreds when behind. A turn starts at once when the last one is a while ago; under full load turns keep a small
distance, so that blocks grow instead of turns.
"""

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from time import monotonic_ns
from typing import Final

import numpy as np

from brakewater.clock import Clock
from brakewater.engine import Engine
from brakewater.record.backlog import Lost
from brakewater.record.journal import Journal
from brakewater.record.unrecorded import Unrecorded
from brakewater.stream import Answer, Block, Command, Gap, Latest, Outcome, Picture, Request, Sample, Source, Start

_TURN_DISTANCE_S: Final = 0.004

_log = logging.getLogger(__name__)


@dataclass(slots=True, kw_only=True)
class _Admitted:
    """An input with its stamps, waiting for its turn."""

    input: int
    t_ns: int
    utc_ns: int
    item: Sample | Request
    answer: asyncio.Future[Answer] | None = field(default=None)


class Loop:
    """Binds source, journal, engine and outputs for one run after another."""

    def __init__(
        self,
        *,
        engine: Engine,
        journal: Journal | Unrecorded,
        clock: Clock,
        latest: Sequence[Latest] = (),
        again: Callable[[Engine], Start],
    ) -> None:
        """Bind the parts; nothing moves yet.

        Args:
            engine: fed with its past already.
            journal: open.
            clock: stamps inputs.
            latest: outputs that get each new picture.
            again: makes the Start of a further run, to resume the record after a loss.
        """
        self._engine, self._journal, self._clock = engine, journal, clock
        self._latest = list(latest)
        self._again = again
        self._run, self._next = 0, 0
        self._last_t_ns = -(2**62)
        self._waiting: list[_Admitted] = []
        self._scheduled = False
        self._last_turn_s = 0.0
        self.picture: Picture | None = None
        self.scanned_ns = 0
        """Monotonic time at which the last sample came; 0 before the first."""

    def begin(self, start: Start, *, wait_s: float = 10.0) -> None:
        """Open a run: the engine takes the Start, the journal makes it durable.

        Raises:
            StorageError: it could not be made durable in that time; it stays queued and the watch may go on.
        """
        outcome = self._engine.feed(start)
        self._run, self._next = start.run, 1
        self._last_t_ns = max(self._last_t_ns, start.t_ns)
        self._journal.begin(start, outcome.events, wait_s=wait_s)

    async def watch(self, source: Source) -> None:
        """Admit every sample of a source, for ever."""
        async for sample in source.samples():
            self.scanned_ns = monotonic_ns()
            self._admit(sample, None)

    def ask(self, request: Request) -> asyncio.Future[Answer]:
        """Admit a request; the future holds its answer after the turn. Call from the loop's own thread."""
        answer: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._admit(request, answer)
        return answer

    def _admit(self, item: Sample | Request, answer: asyncio.Future[Answer] | None) -> None:
        self._last_t_ns = max(self._last_t_ns, self._clock.steady_ns())
        self._waiting.append(
            _Admitted(input=self._next, t_ns=self._last_t_ns, utc_ns=self._clock.utc_ns(), item=item, answer=answer)
        )
        self._next += 1
        if not self._scheduled:
            self._scheduled = True
            loop = asyncio.get_running_loop()
            loop.call_at(max(loop.time(), self._last_turn_s + _TURN_DISTANCE_S), self._turn)

    def _turn(self) -> None:
        self._scheduled = False
        waiting, self._waiting = self._waiting, []
        while waiting:
            self._step(waiting)
        self._make_good()
        self.picture = self._engine.picture()
        for output in self._latest:
            output.show(self.picture)
        self._last_turn_s = asyncio.get_running_loop().time()

    def _step(self, waiting: list[_Admitted]) -> None:
        """Take a block of samples, or one command, off the front."""
        first = waiting[0]
        if isinstance(first.item, Request):
            waiting.pop(0)
            self._command(first, first.item)
            return
        count = next((at for at, one in enumerate(waiting) if isinstance(one.item, Request)), len(waiting))
        block = _block(self._run, waiting[:count])
        del waiting[:count]
        self._journal.append(block, self._fed(block).events)

    def _command(self, admitted: _Admitted, request: Request) -> None:
        command = Command(
            run=self._run, input=admitted.input, t_ns=admitted.t_ns, utc_ns=admitted.utc_ns, request=request
        )
        outcome = self._fed(command)
        self._journal.append(command, outcome.events)
        if admitted.answer is not None and not admitted.answer.done():
            admitted.answer.set_result(outcome.answers[0])

    def _fed(self, item: Block | Command) -> Outcome:
        """The engine's outcome; what it breaks on is recorded first, so that the defect can be met again."""
        try:
            return self._engine.feed(item)
        except Exception:
            self._journal.append(item)
            raise

    def _make_good(self) -> None:
        """When the disk is well again after a loss: a new run whose snapshot is the live state, and the gap named."""
        lost = self._journal.lost
        if lost is None or self._waiting:
            return
        start = self._again(self._engine)
        self.begin(start, wait_s=0)
        self._gap(lost)

    def _gap(self, lost: Lost) -> None:
        run, first, last = lost
        gap = Gap(
            run=self._run,
            input=self._next,
            t_ns=self._last_t_ns,
            utc_ns=self._clock.utc_ns(),
            lost_run=run,
            lost_first=first,
            lost_last=last,
            why="the record could not be written",
        )
        self._next += 1
        self._engine.feed(gap)
        self._journal.append(gap)
        _log.warning("not recorded: inputs %d to %d of run %d", first, last, run)


def _block(run: int, admitted: Sequence[_Admitted]) -> Block:
    samples = [one.item for one in admitted if isinstance(one.item, Sample)]
    count = len(samples)
    return Block(
        run=run,
        input=np.array([one.input for one in admitted], np.int64),
        t_ns=np.array([one.t_ns for one in admitted], np.int64),
        utc_ns=np.array([one.utc_ns for one in admitted], np.int64),
        words=np.frombuffer(b"".join([s.words for s in samples]), "<u2").reshape(count, -1),
        status=np.frombuffer(b"".join([s.status for s in samples]), np.uint8).reshape(count, -1),
        age_ns=np.array([s.age_ns for s in samples], np.int64),
    )
