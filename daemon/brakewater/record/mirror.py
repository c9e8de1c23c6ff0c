"""The mirror: sends the committed record on to a time-series server, at least once, in a thread of its own.

    Lanes: Batches (record -> lines) -> InfluxServer -> what it took lately, to be sent again

A server may take lines and still lose the last seconds of them when it is killed. So the cursor, and the place to go
back to after any trouble, is not the last line taken but the last that was taken a *margin* ago. Points are the same
by time and tags, so sending twice does no harm.

What happens now goes out at once, however much is still owed from the time the server was away: the live lane comes
first in every turn, and the owed one has its turn no more often than the backlog rate allows. Its turn ends early where
something was committed meanwhile: a live point waits for its commit, a second at most, then for one block of the owed
lane to become lines and for one request.
"""

import logging
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

from brakewater.errors import StorageError
from brakewater.record.cursors import FOR_EVER, Cursors, Place, Span
from brakewater.record.influx import InfluxServer, Reply, Verdict
from brakewater.record.lanes import MOST_KEPT_BYTES, Lane, Lanes, Parcel
from brakewater.record.parked import Parked, Refusal
from brakewater.record.reader import Record
from brakewater.record.sealed.apart import Unsealing
from brakewater.rig import Mirror
from brakewater.stream import Block

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
    behind_s: float = 30.0
    """Live lines this far behind are left to the backlog, and what happens now goes first."""


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
        self._record = Record(folder, Unsealing())
        self._server: InfluxServer | None = None
        self._lanes: Lanes | None = None
        self._wait_s = self._kept_s = self._owed_at_s = 0.0
        self._newest: tuple[Place, int] | None = None
        self._backlog_ns = self._live_ns = 0
        self._sent = self._returns = self._too_old = 0
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
        """Steady time from the oldest that the server has not taken to what is committed."""
        return self._backlog_ns

    def figures(self) -> dict[str, Any]:
        """How it does, for ``status``.

        ``live_ns`` is how far the newest point taken is behind what is committed, ``backlog_ns`` the oldest that is
        still owed; ``owed`` counts stretches beside the live one. ``sent`` counts lines the server took, repeated ones
        too; ``parked`` those it refused, ``too_old`` those from before what it keeps; ``returns`` how often it went
        back; ``waiting`` is true while the wall clock is implausible; ``untimed`` counts scans without a wall time,
        ``skipped`` runs that could not be read or used.
        """
        lanes = self._lanes
        return {
            "backlog_ns": self._backlog_ns,
            "live_ns": self._live_ns,
            "owed": lanes.owed if lanes else 0,
            "sent": self._sent,
            "parked": self._parked.count,
            "too_old": self._too_old,
            "returns": self._returns,
            "waiting": lanes.live.batches.waiting if lanes else False,
            "untimed": lanes.untimed if lanes else 0,
            "skipped": lanes.skipped if lanes else 0,
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
        while not self._closing.is_set():
            try:
                self._lanes = self._lanes or self._begun(cursors)
                self._turn(server, self._lanes)
                self._keep(cursors, self._lanes, _KEEP_S)
            except _NotTakenError as error:
                self._step_back(error.reply)
            except Exception as error:  # noqa: BLE001 - whatever happens, the mirror goes on
                known = isinstance(error, StorageError)
                _log.log(logging.WARNING, "mirror %s: %s", self._name, error, exc_info=not known)
                self._step_back(Reply(verdict=Verdict.SHUT if not known else Verdict.BUSY, says=str(error)))
        if self._lanes is not None:
            self._keep(cursors, self._lanes, 0.0)
            self._lanes.close()

    def _begun(self, cursors: Cursors) -> Lanes:
        runs = self._record.runs()
        spans = self._spans(cursors, runs)
        lanes = Lanes(self._folder, self._mirror.every, self._margin_ns, spans)
        for lane, (after, _) in zip(lanes, spans, strict=True):
            with suppress(StorageError):
                lane.sent_ns = self._steady(after)
        return lanes

    def _spans(self, cursors: Cursors, runs: list[int]) -> tuple[Span, ...]:
        """What is still to be sent; all there is where no cursor, or one of a record that is no longer here, says."""
        place = cursors.get(self._cursor)
        spans = cursors.spans(self._cursor)
        if place is None or max([place, *(after for after, _ in spans)])[0] > max(runs, default=0):
            return (((runs[0] if runs else 0, -1), FOR_EVER),)
        return spans if spans and spans[0][0] == place and spans[-1][1] == FOR_EVER else ((place, FOR_EVER),)

    def _steady(self, place: Place) -> int | None:
        """Steady time of an input; None where it is no longer there."""
        before = (place[0], max(place[1], 0) - 1)
        item = next(self._record.inputs(after=before, block=1, to_run=place[0]), None)
        return int(item.t_ns[0]) if isinstance(item, Block) else item.t_ns if item else None

    @property
    def _cursor(self) -> str:
        return f"mirror.{self._name}"

    def _turn(self, server: InfluxServer, lanes: Lanes) -> None:
        self._woken.clear()
        more = self._advance(server, lanes, lanes.live)
        if more and self._is_behind(lanes.live):
            assert self._newest is not None
            lanes.cut(self._newest[0])
        owed = lanes.next_owed()
        if owed is not None and time.monotonic() >= self._owed_at_s:
            self._pay(server, lanes, owed)
        self._look(lanes)
        if not more:
            owed_in_s = self._owed_at_s - time.monotonic() if lanes.owed else self._pace.idle_s
            self._woken.wait(min(max(owed_in_s, 0.0), self._pace.idle_s))

    def _pay(self, server: InfluxServer, lanes: Lanes, lane: Lane) -> None:
        """Send some of what is owed, and say when more may be: at the backlog rate, and half of the time at most."""
        began, before = time.monotonic(), self._sent
        more = lane.kept_bytes < MOST_KEPT_BYTES and self._advance(server, lanes, lane)
        now = time.monotonic()
        due_s = began + (self._sent - before) / self._mirror.backlog_rate
        self._owed_at_s = max(due_s, 2 * now - began) if more else now + self._pace.idle_s

    def _advance(self, server: InfluxServer, lanes: Lanes, lane: Lane) -> bool:
        """Send the next lines of a lane; true where more may follow at once."""
        began = time.monotonic()
        parcel = self._next(lane, self._woken.is_set if lane is not lanes.live else _never)
        self._look(lanes)
        if parcel is None:
            return False
        spent_s = time.monotonic() - began
        lines = parcel.lines
        sent = [
            self._send_some(server, lines[first : first + MOST_LINES], lanes)
            for first in range(0, len(lines), MOST_LINES)
        ]
        self._taken(lanes, lane, parcel)
        if any(sent):
            self._last_error = None
        if parcel.full and lane is lanes.live:
            self._closing.wait(spent_s)  # catching up takes half a core at most; what is owed has its own pause
        return parcel.full

    def _next(self, lane: Lane, hurry: Callable[[], bool]) -> Parcel | None:
        try:
            return lane.next(hurry)
        except Exception:
            lane.read_again()
            raise

    def _taken(self, lanes: Lanes, lane: Lane, parcel: Parcel) -> None:
        lane.taken()
        if parcel.packed:
            self._wait_s = 0.0
            for each in lanes:
                each.answered()

    def _is_behind(self, live: Lane) -> bool:
        if self._newest is None or live.sent_ns is None or live.batches.bringing_along or live.batches.waiting:
            return False
        return self._newest[1] - live.sent_ns > 1e9 * self._pace.behind_s

    def _keep(self, cursors: Cursors, lanes: Lanes, every_s: float) -> None:
        """Write the cursor where it has moved and the last time is long enough ago."""
        now = time.monotonic()
        if self._kept_s + every_s > now:
            return
        spans = lanes.spans
        place, kept = min(after for after, _ in spans), spans if len(spans) > 1 else ()
        if (cursors.get(self._cursor), cursors.spans(self._cursor)) != (place, kept):
            cursors.set(self._cursor, place, kept)
            self._kept_s = now

    # ----------------------------------------------------------------- sending

    def _send_some(self, server: InfluxServer, lines: list[bytes], lanes: Lanes) -> int:
        """Send lines, leaving out what the server refuses. Where it refuses all, it is set up wrong: keep them.

        What lies before the time that the server keeps is no fault of anybody's, and would be refused for ever.

        Returns:
            How many lines it took.
        """
        refusals: list[Refusal] = []
        sent = self._halved(server, lines, lanes, refusals)
        if not sent and refusals:
            raise _NotTakenError(Reply(verdict=Verdict.SHUT, says=f"refuses every line: {refusals[0][1]}"))
        self._sent += sent
        self._parked.add(refusals)
        return sent

    def _halved(self, server: InfluxServer, lines: list[bytes], lanes: Lanes, refusals: list[Refusal]) -> int:
        """Lines taken; those that were not stand in ``refusals``, but for those that are too old."""
        if self._closing.is_set():
            raise _NotTakenError(Reply(verdict=Verdict.BUSY, says="closing"))
        reply = server.write(lines)
        if reply.verdict is Verdict.TAKEN:
            if reply.reconnected and _at_risk(lanes) and not any(lane.going_back for lane in lanes):
                raise _NotTakenError(Reply(verdict=Verdict.AWAY, says="the connection was gone", wait_s=0.0))
            return len(lines)
        if reply.verdict is not Verdict.REFUSED:
            raise _NotTakenError(reply)
        if reply.too_old is not None and self._all_too_old(server, lines, reply.too_old):
            self._leave_out(len(lines), reply.says)
            return 0
        if len(lines) == 1:
            refusals.append((lines[0], reply.says))
            return 0
        half = len(lines) // 2
        return sum(self._halved(server, part, lanes, refusals) for part in (lines[:half], lines[half:]))

    def _all_too_old(self, server: InfluxServer, lines: list[bytes], told: int) -> bool:
        """Whether none of them is of a time that the server keeps; where it gives no count the newest line tells."""
        if told or len(lines) == 1:
            return told == len(lines) or len(lines) == 1
        return server.write([max(lines, key=_line_ns)]).too_old is not None

    def _leave_out(self, count: int, says: str) -> None:
        if not self._too_old:
            _log.warning("mirror %s: lines from before what the server keeps are left out: %s", self._name, says)
        self._too_old += count
        self._last_error = says  # until something is taken: where this clock is wrong, nothing may be

    def _step_back(self, reply: Reply) -> None:
        if self._closing.is_set():
            return
        self._trouble(reply.says)
        if self._lanes is not None:
            away = reply.verdict is Verdict.AWAY
            self._returns += away and _at_risk(self._lanes)
            for lane in self._lanes if away else ():
                lane.go_back()
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
            self._look(self._lanes)

    def _trouble(self, says: str) -> None:
        if says != self._last_error:
            _log.warning("mirror %s: %s", self._name, says)
        self._last_error = says

    def _look(self, lanes: Lanes | None) -> None:
        """Note how far the record goes, and how far behind the server is."""
        with suppress(StorageError):
            self._newest = self._record.newest() or self._newest
        if lanes is None or self._newest is None:
            return
        newest_ns = self._newest[1]
        behind = [_behind_ns(lane, newest_ns) for lane in lanes if not lane.done]
        self._live_ns, self._backlog_ns = behind[-1], max(behind)


def _line_ns(line: bytes) -> int:
    return int(line.rpartition(b" ")[2])


def _never() -> bool:
    return False


def _behind_ns(lane: Lane, newest_ns: int) -> int:
    return 0 if lane.sent_ns is None else max(0, newest_ns - lane.sent_ns)


def _at_risk(lanes: Lanes) -> bool:
    return any(lane.at_risk for lane in lanes)
