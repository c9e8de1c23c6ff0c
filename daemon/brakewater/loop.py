"""The only loop: what sources and people bring is stamped once, run through the engine, shown and recorded.

Inputs wait in a list until the next turn and go through it in order, consecutive samples as one block: one when idle,
hundreds when behind. A turn starts at once when the last one is a while ago; under full load turns keep a small
distance, so that blocks grow instead of turns.

What breaks a turn is a defect of ours: the input is recorded, whoever waits for an answer gets one, and ``watch`` ends
with the error, since nothing may look like a watch that is none.
"""

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from time import monotonic_ns
from typing import Final

from brakewater.admission import LABEL_NS, STAMP_NS, Admitted, block_of, refusal
from brakewater.clock import Clock
from brakewater.engine import Engine
from brakewater.record.backlog import Lost
from brakewater.record.journal import Journal
from brakewater.record.unrecorded import Unrecorded
from brakewater.stream import (
    Answer,
    Block,
    Command,
    Event,
    Gap,
    Latest,
    Outcome,
    Picture,
    Request,
    Sample,
    Source,
    Start,
)

_TURN_DISTANCE_S: Final = 0.02
"""From the beginning of one turn to the next at least: the shortest scan that a rig file may ask for."""
_SHARE: Final = 0.1
"""Of the time that turns may take under full load, where scans come as fast as devices answer."""
_MOST_DISTANCE_S: Final = 0.1
"""Nothing waits longer for its turn, however long the last one took; an assumption."""
_DAY_NS: Final = 86_400_000_000_000
_BROKEN: Final = "the watch has ended on a defect of the program; see its log"

_log = logging.getLogger(__name__)


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
        self.outputs = list(latest)
        """What takes each new picture."""
        self._again = again
        self.segment_ns = _DAY_NS
        """How long a segment is; a change counts from the next Start on."""
        self._run, self._next, self._roll_t_ns = 0, 0, 2**62
        self._last_t_ns = -(2**62)
        self._waiting: list[Admitted] = []
        self._to_record: list[tuple[Block | Command, tuple[Event, ...]]] = []
        """What this turn took, with its events."""
        self._scheduled = False
        self._last_turn_s, self._distance_s = 0.0, _TURN_DISTANCE_S
        self._watching: asyncio.Task[object] | None = None
        self._defect: Exception | None = None
        self._failing: set[int] = set()
        self.picture: Picture | None = None
        self._rig_shown = ""
        self.scanned_ns = 0
        """Monotonic time at which the last sample came; 0 before the first."""

    def begin(self, start: Start, *, wait_s: float = 10.0) -> None:
        """Open a run: the engine takes the Start, the journal makes it durable. Its time is never before the last.

        Raises:
            StorageError: it could not be made durable in that time; it stays queued and the watch may go on.
        """
        start = replace(start, t_ns=max(start.t_ns, self._last_t_ns))
        outcome = self._engine.feed(start)
        for brake in self._engine.begun_anew:
            _log.warning(
                "brake %s: energy, forecasts and what else is worked out once a second begin anew, as what they hang on"
                " is not what it was", brake,
            )  # fmt: skip
        self._run, self._next, self._last_t_ns = start.run, 1, start.t_ns
        # The wall clock only says how far the first one is from midnight; steady time says when it is over.
        self._roll_t_ns = start.t_ns + self.segment_ns - start.utc_ns % self.segment_ns
        self._journal.begin(start, outcome.events, wait_s=wait_s)

    @property
    def engine(self) -> Engine:
        """For its state between two turns."""
        return self._engine

    @property
    def run(self) -> int:
        """Number of the run."""
        return self._run

    def settle(self) -> None:
        """Let everything admitted so far have its turn now."""
        if self._waiting:
            self._turn()

    async def watch(self, source: Source) -> None:
        """Admit every sample of a source, for ever.

        Raises:
            Exception: what broke a turn.
        """
        self._raise_defect()
        task = self._watching = asyncio.current_task()
        try:
            async for sample in source.samples():
                self.scanned_ns = monotonic_ns()
                self._admit(sample, None)
        except asyncio.CancelledError:
            if self._defect is None or task is None:
                raise
            task.uncancel()
        finally:
            self._watching = None
        self._raise_defect()

    def _raise_defect(self) -> None:
        if self._defect is not None:
            raise self._defect

    def ask(self, request: Request) -> asyncio.Future[Answer]:
        """Admit a request; the future holds its answer after the turn. Call from the loop's own thread.

        What could not be recorded, or comes after the watch broke, is refused at once and never admitted.
        """
        answer: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        says = refusal(request) if self._defect is None else _BROKEN
        if says is None:
            self._admit(request, answer)
        else:
            answer.set_result(Answer(id=request.id, actor=request.actor, ok=False, says=says))
        return answer

    async def recorded(self, until_s: float) -> bool:
        """Whether all that went through is in the record; waits for that, to a time of the event loop's clock."""
        if self._journal.figures().losing:
            return False
        left_s = max(0.0, until_s - asyncio.get_running_loop().time())
        return self._journal.queued == 0 or await asyncio.to_thread(self._journal.wait_committed, left_s)

    def _admit(self, item: Sample | Request, answer: asyncio.Future[Answer] | None) -> None:
        self._last_t_ns = max(self._last_t_ns, self._clock.steady_ns() // STAMP_NS * STAMP_NS)
        closed_ns = item.closed_ns if isinstance(item, Sample) else None
        late_ns = 0 if closed_ns is None else max(0, monotonic_ns() - closed_ns)
        self._waiting.append(
            Admitted(self._next, self._last_t_ns, self._clock.utc_ns() // LABEL_NS * LABEL_NS, item, answer, late_ns)
        )
        self._next += 1
        if self._scheduled:
            return
        loop = asyncio.get_running_loop()
        due_s = self._last_turn_s + self._distance_s
        if answer is None and loop.time() >= due_s:  # a scan waits for no further round of the event loop
            self._turn()
        else:
            self._scheduled = True
            loop.call_at(due_s, self._turn)

    def _turn(self) -> None:
        self._scheduled, self._last_turn_s = False, asyncio.get_running_loop().time()
        waiting, self._waiting = self._waiting, []
        try:
            self._take(waiting)
            run = self._run
            self._make_good()
            self._roll()
            if self._run != run:
                self._show()
            took_s = asyncio.get_running_loop().time() - self._last_turn_s
            self._distance_s = min(max(_TURN_DISTANCE_S, took_s / _SHARE), _MOST_DISTANCE_S)
        except Exception as defect:  # noqa: BLE001 - it is raised where the watch is awaited
            self._break(defect, waiting)

    def _take(self, waiting: list[Admitted]) -> None:
        """Everything that waits through the engine, out to those who watch, and into the record.

        An alarm does not wait for the record, which is written by another thread that would take turns with those who
        tell of it; what breaks the engine is recorded all the same.
        """
        try:
            while waiting:
                self._step(waiting)
            self._show()
        finally:
            taken, self._to_record = self._to_record, []
            for item, events in taken:
                self._journal.append(item, events)

    def _break(self, defect: Exception, waiting: Sequence[Admitted]) -> None:
        """End the watch with a defect; what still waits is answered, not carried out."""
        self._defect = self._defect or defect
        for one in waiting:
            one.settle(_BROKEN)
        if self._watching is not None:
            self._watching.cancel()

    def _show(self) -> None:
        """Give the newest picture to every output; one that fails takes nothing from the others."""
        self.picture = self._seen(self._engine.picture())
        self._give(self.picture, self.outputs)

    def show_begun(self, outputs: Sequence[Latest]) -> None:
        """Give some outputs what stands over a Start, before its first scan: alarms, so that no lamp goes dark."""
        self._give(self._engine.picture(), outputs)

    def _give(self, picture: Picture, outputs: Sequence[Latest]) -> None:
        for output in outputs:
            try:
                output.show(picture)
                self._failing.discard(id(output))
            except Exception:  # noqa: BLE001 - whatever ails it
                if id(output) not in self._failing:
                    _log.exception("an output fails; the others go on: %s", type(output).__name__)
                self._failing.add(id(output))

    def _seen(self, picture: Picture) -> Picture:
        """With the values of the last scan where a further run has none yet: to a PLC they would be bad until then."""
        last, rig = self.picture, self._engine.rig.text
        if picture.readings or last is None or rig != self._rig_shown:
            self._rig_shown = rig
            return picture
        return replace(picture, readings=last.readings, derived=last.derived, status=last.status)

    def _step(self, waiting: list[Admitted]) -> None:
        """Take a block of samples, or one command, off the front."""
        first = waiting[0]
        if isinstance(first.item, Request):
            self._command(first, first.item)
            waiting.pop(0)
            return
        count = next((at for at, one in enumerate(waiting) if isinstance(one.item, Request)), len(waiting))
        block = block_of(self._run, waiting[:count])
        del waiting[:count]
        self._fed(block)

    def _command(self, admitted: Admitted, request: Request) -> None:
        command = Command(
            run=self._run, input=admitted.input, t_ns=admitted.t_ns, utc_ns=admitted.utc_ns, request=request
        )
        outcome = self._fed(command)
        if admitted.answer is not None and not admitted.answer.done():
            admitted.answer.set_result(outcome.answers[0])

    def _fed(self, item: Block | Command) -> Outcome:
        """The engine's outcome; what it breaks on is recorded too, so that the defect can be met again."""
        try:
            outcome = self._engine.feed(item)
        except Exception:
            self._to_record.append((item, ()))
            raise
        self._to_record.append((item, outcome.events))
        return outcome

    def _make_good(self) -> None:
        """When the disk is well again after a loss: a new run whose snapshot is the live state, and the gap named."""
        if self._journal.lost is not None:
            losses = self._journal.losses
            self.begin(self._again(self._engine), wait_s=0)
            for lost in losses:
                self._gap(lost)

    def _roll(self) -> None:
        """A new segment when this one is long enough: a Start whose snapshot is the live state."""
        if self._last_t_ns >= self._roll_t_ns and not self._journal.figures().losing:
            self.begin(self._again(self._engine), wait_s=0)

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
