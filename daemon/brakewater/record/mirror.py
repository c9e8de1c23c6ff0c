"""The mirror: sends the committed record on to a time-series server, at least once, in a thread of its own.

    Batches (record -> lines) -> InfluxServer -> Progress (what has been taken, how long ago)

A server may take lines and still lose the last seconds of them when it is killed. So the cursor, and the place to go
back to after any trouble, is not the last line taken but the last that was taken a *margin* ago. Points are the same
by time and tags, so sending twice does no harm.
"""

import logging
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

from brakewater.errors import StorageError
from brakewater.record.batches import Batch, Batches, Mark
from brakewater.record.cursors import Cursors
from brakewater.record.influx import InfluxServer, Reply, Verdict
from brakewater.record.parked import Parked, Refusal
from brakewater.record.reader import Record
from brakewater.record.segment import reading, segment_path, segment_runs
from brakewater.rig import Mirror

MARGIN_NS: Final = 15_000_000_000
"""How long a server may hold what it took only in memory; measured: between 6 and 12 s."""
MOST_LINES: Final = 500
"""Lines in one request."""
_KEEP_S: Final = 5.0
"""Between two writes of the cursor: each costs the disk a sync; being a little behind only costs lines sent twice."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How long to wait for what, and after what, in seconds."""

    first_s: float = 0.2
    most_s: float = 5.0
    """Waits grow from the first to this where the server is away or busy."""
    slow_s: float = 30.0
    """Where a person has to change something."""
    idle_s: float = 1.0
    """Looks at the record this often without being told."""
    connect_s: float = 2.0
    answer_s: float = 5.0
    """A server that takes longer is away."""


class Progress:
    """What the server has taken and when: the marks of the last margin."""

    def __init__(self, mark: Mark, margin_ns: int) -> None:
        self._margin_ns = margin_ns
        self._marks = deque([(time.monotonic_ns() - margin_ns, mark)])
        self._head = (-1, -1)
        self.going_back = False
        """True from going back until all is sent again."""

    @property
    def safe(self) -> Mark:
        """Everything before this was taken a margin before the last line taken."""
        return self._marks[0][1]

    @property
    def last(self) -> Mark:
        """Everything before this was taken."""
        return self._marks[-1][1]

    @property
    def at_risk(self) -> bool:
        """True where something was taken too lately to be sure of."""
        return len(self._marks) > 1

    def taken(self, mark: Mark) -> None:
        """Everything up to a mark has been taken by now."""
        now = time.monotonic_ns()
        if len(self._marks) > 2 and now - self._marks[-2][0] < self._margin_ns // 16:
            self._marks.pop()  # a few marks are enough
        self._marks.append((now, mark))
        while len(self._marks) > 1 and self._marks[1][0] <= now - self._margin_ns:
            self._marks.popleft()
        self.going_back = self.going_back and mark.place < self._head

    def go_back(self) -> Mark:
        """Give up what is not safe; returns where to go on."""
        self._head = max(self._head, self.last.place)
        self.going_back = self.going_back or self.at_risk
        safe = self._marks[0]
        self._marks.clear()
        self._marks.append(safe)
        return safe[1]


class _NotTakenError(Exception):
    """A request that did not succeed as a whole."""

    def __init__(self, reply: Reply) -> None:
        super().__init__(reply.says)
        self.reply = reply


class MirrorWorker:
    """One mirror of one record. ``start``, ``committed``, ``close`` and the figures may be used from any thread."""

    def __init__(
        self,
        name: str,
        mirror: Mirror,
        folder: Path,
        token: str | None = None,
        *,
        margin_ns: int = MARGIN_NS,
        pace: Pace | None = None,
    ) -> None:
        """Touches nothing yet.

        Args:
            name: of the mirror in the rig file; its cursor is ``mirror.<name>``.
            mirror: where to send, and how much.
            folder: record folder, which is there.
            token: secret of the server.
            margin_ns: how far to go back after trouble, in time of sending.
            pace: how long to wait after what.
        """
        self._name, self._mirror, self._folder, self._token = name, mirror, folder, token
        self._margin_ns, self._pace = margin_ns, pace or Pace()
        self._woken, self._closing = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"mirror {name}", daemon=True)
        self._parked = Parked(folder, name)
        self._server: InfluxServer | None = None
        self._batches: Batches | None = None
        self._wait_s = self._kept_s = 0.0
        self._newest_ns: int | None = None
        self._sent_ns: int | None = None
        self._sent = self._returns = 0
        self._last_error: str | None = None

    # ------------------------------------------------------------- from outside

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def committed(self, *_: object) -> None:
        """Something was committed to the record; returns at once."""
        self._woken.set()

    @property
    def backlog_ns(self) -> int:
        """Steady time from what the server has taken to what is committed."""
        newest, sent = self._newest_ns, self._sent_ns
        return 0 if newest is None or sent is None else max(0, newest - sent)

    def figures(self) -> dict[str, Any]:
        """How it does, for ``status``.

        ``sent`` counts lines the server took, repeated ones too; ``returns`` how often it went back; ``waiting`` is
        true while the wall clock is implausible; ``untimed`` counts scans without a wall time, ``skipped`` runs that
        could not be read or used.
        """
        batches = self._batches
        return {
            "backlog_ns": self.backlog_ns,
            "sent": self._sent,
            "parked": self._parked.count,
            "returns": self._returns,
            "waiting": batches.waiting if batches else False,
            "untimed": batches.untimed if batches else 0,
            "skipped": batches.skipped if batches else 0,
            "last_error": self._last_error,
        }

    def close(self, timeout_s: float = 0.8) -> None:
        """End. A request under way is broken off; its lines are sent again next time."""
        self._closing.set()
        self._woken.set()
        if not self._thread.is_alive():
            return
        end = time.monotonic() + timeout_s
        self._thread.join(min(timeout_s / 2, 0.2))
        if self._thread.is_alive() and self._server is not None:
            self._server.abort()
        self._thread.join(max(0.0, end - time.monotonic()))
        if self._thread.is_alive():
            _log.warning("mirror %s: still busy, left to itself", self._name)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -------------------------------------------------------------- the thread

    def _run(self) -> None:
        try:
            self._server = InfluxServer(self._mirror, self._token, self._pace.connect_s, self._pace.answer_s)
        except (ImportError, ValueError) as error:
            self._trouble(f"cannot begin: {error}; influxdb-client comes with the extra 'mirror'")
            return
        cursors = None
        while cursors is None and not self._closing.is_set():
            try:
                cursors = Cursors(self._folder)
            except StorageError as error:
                self._trouble(str(error))
                self._closing.wait(self._pace.most_s)
        if cursors is not None:
            with cursors:
                self._follow(self._server, cursors)
        self._server.close()

    def _follow(self, server: InfluxServer, cursors: Cursors) -> None:
        progress: Progress | None = None
        while not self._closing.is_set():
            try:
                progress = progress or self._begun(cursors)
                self._turn(server, progress)
                self._keep(cursors, progress, _KEEP_S)
            except _NotTakenError as error:
                self._step_back(error.reply, progress)
            except Exception as error:  # noqa: BLE001 - whatever happens, the mirror goes on
                known = isinstance(error, StorageError)
                _log.log(logging.WARNING, "mirror %s: %s", self._name, error, exc_info=not known)
                self._step_back(Reply(verdict=Verdict.SHUT if not known else Verdict.BUSY, says=str(error)), progress)
        if progress is not None:
            self._keep(cursors, progress, 0.0)

    def _begun(self, cursors: Cursors) -> Progress:
        place = cursors.get(self._cursor)
        runs = Record(self._folder).runs()
        if place is None or place[0] > max(runs, default=0):  # none yet, or of a record that is no longer here
            place = (runs[0] if runs else 0, -1)
        if runs:
            with suppress(StorageError):
                self._sent_ns = _steady(self._folder, place[0], max(place[1], 0))
        mark = Mark(place=place)
        self._batches = Batches(self._folder, self._mirror.every, mark)
        return Progress(mark, self._margin_ns)

    @property
    def _cursor(self) -> str:
        return f"mirror.{self._name}"

    def _turn(self, server: InfluxServer, progress: Progress) -> None:
        assert self._batches is not None
        self._woken.clear()
        began = time.monotonic()
        batch = self._batches.next()
        self._look()
        if batch is None:
            self._woken.wait(self._pace.idle_s)
            return
        spent_s = time.monotonic() - began
        self._send(server, batch, progress)
        self._taken(batch, progress)
        if batch.full:
            self._closing.wait(spent_s)  # catching up takes half a core at most

    def _taken(self, batch: Batch, progress: Progress) -> None:
        assert self._batches is not None
        progress.taken(self._batches.mark())
        self._sent_ns = max(batch.t_ns, self._sent_ns or batch.t_ns)
        if batch.lines:
            self._wait_s, self._last_error = 0.0, None

    def _keep(self, cursors: Cursors, progress: Progress, every_s: float) -> None:
        """Write the cursor where it has moved and the last time is long enough ago."""
        now = time.monotonic()
        if self._kept_s + every_s <= now and cursors.get(self._cursor) != progress.safe.place:
            cursors.set(self._cursor, progress.safe.place)
            self._kept_s = now

    # ----------------------------------------------------------------- sending

    def _send(self, server: InfluxServer, batch: Batch, progress: Progress) -> None:
        for first in range(0, len(batch.lines), MOST_LINES):
            self._send_some(server, batch.lines[first : first + MOST_LINES], progress)

    def _send_some(self, server: InfluxServer, lines: list[bytes], progress: Progress) -> None:
        """Send lines, leaving out what the server refuses. Where it refuses all, it is set up wrong: keep them."""
        refusals: list[Refusal] = []
        sent = self._halved(server, lines, progress, refusals)
        if not sent:
            raise _NotTakenError(Reply(verdict=Verdict.SHUT, says=f"refuses every line: {refusals[0][1]}"))
        self._sent += sent
        self._parked.add(refusals)

    def _halved(self, server: InfluxServer, lines: list[bytes], progress: Progress, refusals: list[Refusal]) -> int:
        """Lines taken; those that were not stand in ``refusals``."""
        if self._closing.is_set():
            raise _NotTakenError(Reply(verdict=Verdict.BUSY, says="closing"))
        reply = server.write(lines)
        if reply.verdict is Verdict.TAKEN:
            if reply.reconnected and progress.at_risk and not progress.going_back:
                raise _NotTakenError(Reply(verdict=Verdict.AWAY, says="the connection was gone", wait_s=0.0))
            return len(lines)
        if reply.verdict is not Verdict.REFUSED:
            raise _NotTakenError(reply)
        if len(lines) == 1:
            refusals.append((lines[0], reply.says))
            return 0
        half = len(lines) // 2
        return sum(self._halved(server, part, progress, refusals) for part in (lines[:half], lines[half:]))

    def _step_back(self, reply: Reply, progress: Progress | None) -> None:
        if self._closing.is_set():
            return
        self._trouble(reply.says)
        if progress is not None and self._batches is not None:
            away = reply.verdict is Verdict.AWAY
            self._returns += away and progress.at_risk
            self._batches.back_to(progress.go_back() if away else progress.last)
        self._pause(self._waiting_s(reply))

    def _waiting_s(self, reply: Reply) -> float:
        if reply.wait_s is not None:
            return reply.wait_s
        if reply.verdict is Verdict.SHUT:
            return self._pace.slow_s
        self._wait_s = min(max(self._pace.first_s, 2 * self._wait_s), self._pace.most_s)
        return self._wait_s

    def _pause(self, wait_s: float) -> None:
        end = time.monotonic() + wait_s
        while (left := end - time.monotonic()) > 0 and not self._closing.wait(min(left, self._pace.idle_s)):
            self._look()

    def _trouble(self, says: str) -> None:
        if says != self._last_error:
            _log.warning("mirror %s: %s", self._name, says)
        self._last_error = says

    def _look(self) -> None:
        """Note how far the record goes."""
        with suppress(StorageError):
            runs = segment_runs(self._folder)
            newest_ns = _steady(self._folder, runs[-1], _NEWEST) if runs else None
            self._newest_ns = self._newest_ns if newest_ns is None else newest_ns


_NEWEST: Final = 2**63 - 1


def _steady(folder: Path, run: int, number: int) -> int | None:
    """Steady time of a run's last input up to a number; None where there is none."""
    query = "SELECT t_ns FROM inputs WHERE input <= ? ORDER BY input DESC LIMIT 1"
    with reading(segment_path(folder, run)) as base:
        row = base.execute(query, (number,)).fetchone()
    return None if row is None else int(row[0])
