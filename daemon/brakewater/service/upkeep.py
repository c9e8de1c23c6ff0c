"""The record's upkeep beside the watch: a child process seals and trims what is closed, and the disk is looked at.

None of this can hold up a scan: the disk is asked in a thread, and what seals is another process that may be killed.
"""

import asyncio
import contextlib
import importlib.util
import logging
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final

from brakewater.errors import StorageError
from brakewater.record.segment import segment_runs
from brakewater.rig import Rig
from brakewater.rig.keeping import Keeping
from brakewater.service.child import end
from brakewater.service.recording import Recording

_LOOK_S: Final = 5.0
_FIRST_S: Final = 30.0
"""The start of the watch comes first."""
_AGAIN_S: Final = 3600.0
"""What could not be sealed or was not yet old is looked at again after so long."""

_log = logging.getLogger(__name__)


class Upkeep:
    """Works until closed."""

    def __init__(self, recording: Recording, rig: Callable[[], Rig], run: Callable[[], int]) -> None:
        """Begin.

        Args:
            recording: whose folder is kept.
            rig: the rig in force.
            run: the run that is being written.
        """
        self._recording, self._rig, self._run = recording, rig, run
        self._told = False
        self._task = asyncio.create_task(self._work(), name="upkeep")

    async def close(self) -> None:
        """Stop; a sealing under way is cut short and begun again next time."""
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    async def _work(self) -> None:
        clock = asyncio.get_running_loop().time
        due_s, sealed_run = clock() + _FIRST_S, 0
        while True:
            await self._look()
            if clock() >= due_s and (self._run() != sealed_run or clock() >= due_s + _AGAIN_S):
                sealed_run, due_s = self._run(), clock()
                await self._seal()
            await asyncio.sleep(_LOOK_S)

    async def _look(self) -> None:
        try:
            self._recording.disk_used_e4 = await asyncio.to_thread(used_e4, self._recording.folder)
        except OSError as error:
            _log.debug("%s: %s", self._recording.folder, error)

    async def _seal(self) -> None:
        try:
            asked = await asyncio.to_thread(self._asked)
            if asked is None:
                return
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "brakewater.record.sealing", *asked, stdin=asyncio.subprocess.DEVNULL
            )
            try:
                status = await process.wait()
            finally:
                if process.returncode is None:
                    await end(process)
            if status:
                _log.error("sealing ended with exit status %d; closed segments stay as they are for now", status)
        except StorageError as error:
            _log.error("closed segments stay as they are for now: %s", error)
        except Exception:  # noqa: BLE001 - whatever it is, the record stays readable as it is
            _log.exception("closed segments stay as they are for now")

    def _asked(self) -> list[str] | None:
        """Arguments for the child; None where there is nothing for it to do."""
        folder, keeping = self._recording.folder, self._rig().keeping or Keeping()
        limited = keeping.keep is not None or keeping.keep_size is not None
        if not self._recording.works or (len(segment_runs(folder)) < 2 and not limited):
            return None
        if importlib.util.find_spec("pyarrow") is None:
            if not self._told:
                _log.warning("closed segments stay as they are: sealing them needs pyarrow (brakewater[seal])")
            self._told = True
            return None
        return arguments(folder, keeping)


def arguments(folder: Path, keeping: Keeping) -> list[str]:
    """Command line of ``python -m brakewater.record.sealing``."""
    asked = [str(folder)]
    asked += ["--values"] if keeping.values else []
    asked += ["--keep-ns", str(keeping.keep)] if keeping.keep is not None else []
    return asked + (["--keep-bytes", str(keeping.keep_size)] if keeping.keep_size is not None else [])


def used_e4(folder: Path) -> int:
    """Share of the folder's disk that is used, of what this user may use, in ten-thousandths.

    Raises:
        OSError: the folder cannot be reached.
    """
    disk = os.statvfs(folder)
    used = disk.f_blocks - disk.f_bfree
    return round(10_000 * used / max(1, used + disk.f_bavail))
