"""How often the watch was started without having been stopped: a crash loop is said, in the log and in the status."""

import logging
import time
from pathlib import Path
from typing import Final

from brakewater.errors import plainly
from brakewater.record.durable import appearing

NAME: Final = "starts"
SPAN_S: Final = 600
MOST: Final = 3
"""Unplanned starts within ``SPAN_S`` that may be a power supply's doing."""
_MOST_BYTES: Final = 4096

_log = logging.getLogger(__name__)


class Starts:
    """The file ``starts`` in the record folder: a line a start, emptied by an orderly stop."""

    def __init__(self, folder: Path, now_s: int | None = None) -> None:
        """Note this start, and say where there were too many.

        Args:
            folder: record folder, whose lock is held.
            now_s: wall time, s since 1970; by default this machine's.
        """
        self._file = folder / NAME
        now_s = int(time.time()) if now_s is None else now_s
        recent = [one for one in self._noted() if 0 <= now_s - one < SPAN_S]
        self.lately = len(recent) + 1
        """Starts within the last ten minutes, none of which was stopped in order."""
        self._before = recent
        self._write([*recent, now_s])
        if self.loops:
            _log.error("started %d times in ten minutes without being stopped: it crashes again and again", self.lately)

    @property
    def loops(self) -> bool:
        """Whether it crashes again and again."""
        return self.lately > MOST

    def again(self, now_s: int | None = None) -> int:
        """How often it was started anew within the last ten minutes; fades as time goes."""
        if not self._before:
            return 0
        now_s = int(time.time()) if now_s is None else now_s
        return sum(0 <= now_s - one < SPAN_S for one in self._before)

    def stopped(self) -> None:
        """It ends in order."""
        self._write([])

    def _noted(self) -> list[int]:
        try:
            with self._file.open("rb") as file:
                words = file.read(_MOST_BYTES).split()
        except OSError:
            return []
        return [int(word) for word in words if word.isdigit()]

    def _write(self, noted: list[int]) -> None:
        try:
            with appearing(self._file) as file:  # a full disk must not cost the count that is there
                file.write_text("".join(f"{one}\n" for one in noted[-100:]), encoding="ascii")
        except OSError as error:
            _log.info("%s: %s", self._file, plainly(error))
