"""A program of ours that runs beside the watch and may die without it: started again and again, ever more slowly."""

import asyncio
import contextlib
import logging
import sys
from collections import deque
from collections.abc import Sequence
from time import monotonic
from typing import Final

from brakewater.service.starts import SPAN_S

_FIRST_S: Final = 0.5
_MOST_S: Final = 30.0
_WELL_S: Final = 60.0
"""A child that lived so long begins with short waits again."""
_END_S: Final = 2.0
_MOST_ENDS: Final = 100

_log = logging.getLogger(__name__)


class Child:
    """``python -m MODULE ARGUMENTS``, kept running until closed."""

    def __init__(self, name: str, arguments: Sequence[str]) -> None:
        """Nothing is started yet.

        Args:
            name: what people call it.
            arguments: of the Python interpreter.
        """
        self._name, self._arguments = name, tuple(arguments)
        self._task: asyncio.Task[None] | None = None
        self.running = False
        self.starts = 0
        self._ends: deque[float] = deque(maxlen=_MOST_ENDS)

    def open(self) -> None:
        """Begin to keep it running."""
        self._task = asyncio.create_task(self._keep(), name=self._name)

    async def close(self) -> None:
        """End it, and start it no more."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    @property
    def ended_lately(self) -> int:
        """How often it ended by itself within the last ten minutes."""
        now_s = monotonic()
        return sum(now_s - end_s < SPAN_S for end_s in self._ends)

    async def _keep(self) -> None:
        wait_s = _FIRST_S
        while True:
            began_s = monotonic()
            code = await self._once()
            self._ends.append(monotonic())
            wait_s = _FIRST_S if monotonic() - began_s > _WELL_S else min(2 * wait_s, _MOST_S)
            _log.warning("the %s ended with exit status %s; started again in %.0f s", self._name, code, wait_s)
            await asyncio.sleep(wait_s)

    async def _once(self) -> int | None:
        try:
            process = await asyncio.create_subprocess_exec(
                sys.executable, *self._arguments, stdin=asyncio.subprocess.DEVNULL
            )
        except OSError as error:
            _log.error("the %s cannot be started: %s", self._name, error)
            return None
        self.running, self.starts = True, self.starts + 1
        try:
            return await process.wait()
        finally:
            self.running = False
            if process.returncode is None:
                await end(process)


async def end(process: asyncio.subprocess.Process) -> None:
    """Ask a child to end, then make it."""
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
        try:
            await asyncio.wait_for(process.wait(), _END_S)
        except TimeoutError:
            process.kill()
            await process.wait()
