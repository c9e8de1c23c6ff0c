"""The line to devices at one endpoint: ask for registers, get an answer with a status, never an exception.

    status        what happened
    OK            the answer fits the request in every byte but its data
    SILENT        asked, nothing came in time
    SLOW          asked, not complete in time, but bytes came: in time for a part, or after the last given-up request
    REFUSED       host there, port closed
    RESET         the peer hung up, on the request or on the fresh connection; or the serial port went away. Hung up on
                  a connection that was good before, and without a byte, the request is asked once more on a new one
    SHORT         our answer, with less data than asked for
    MISMATCH      other transaction (0 too), protocol, unit, function, byte count, checksum, or bytes beyond the answer;
                  or not asked, because a serial line babbles
    ABSENT        not asked: nobody reached, no such port, certificate not trusted, waiting to connect again, an RTU
                  line not quiet for long enough, no turn before the deadline, or closed
    0x80 | code   the device refused: Modbus exception

After anything but OK and an exception a socket is closed before the next request, so that a late or foreign answer has
nowhere to arrive. On RTU the line is kept quiet as well, and quiet.py says what that promises and what it cannot.
"""

import asyncio
from collections import Counter
from time import monotonic_ns
from typing import Final

from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from brakewater.field.asked import Asked
from brakewater.field.endpoint import (
    Endpoint,
    RtuOverTcpEndpoint,
    SerialEndpoint,
    TcpEndpoint,
    TlsEndpoint,
    character_s,
    pause_s,
)
from brakewater.field.frames import Answer, Read
from brakewater.field.quiet import Quiet
from brakewater.field.wire import BrokenError, Wire
from brakewater.quality import Status
from brakewater.rig.tables import Table

__all__ = ["FIRST_WAIT_S", "LONGEST_WAIT_S", "Answer", "Link", "Read", "Table", "wait_s"]

FIRST_WAIT_S: Final = 0.05
LONGEST_WAIT_S: Final = 1.5
"""With the scan that knocks and the one that it joins, a device is back in a watch within 2 s of its return."""
HANDSHAKE_S: Final = 10.0
"""A small device takes seconds over the keys of TLS; no read waits for that, the next ones find the connection, s."""
SETTLE_S: Final = 0.05
"""A serial server or adapter hands over what it kept for us within this time after it was opened, s."""

_REQUEST: dict[Table, type[ModbusPDU]] = {
    Table.COIL: ReadCoilsRequest,
    Table.DISCRETE: ReadDiscreteInputsRequest,
    Table.INPUT: ReadInputRegistersRequest,
    Table.HOLDING: ReadHoldingRegistersRequest,
}
_SAYS: dict[int, str] = {
    Status.SILENT: "no answer",
    Status.SLOW: "answer not complete in time",
    Status.RESET: "hung up",
}
_REFUSES_US: Final = " (the device may not accept our certificate)"


class Link:
    """The line to one endpoint; reads take turns on one connection or port, which is opened when it is needed.

    Args:
        endpoint: where the devices are reached.
        host: instead of ``endpoint``: address or name of a Modbus TCP device,
        port: and its TCP port.
        timeout_s: no read takes longer, whatever it waits for (turn, connection, silence, answer), s.
        first_wait_s: pause after a first failed connection, s; doubles with every further one.
        longest_wait_s: the pause grows no longer, s.
    """

    def __init__(
        self,
        *,
        endpoint: Endpoint | None = None,
        host: str = "",
        port: int = 502,
        timeout_s: float,
        first_wait_s: float = FIRST_WAIT_S,
        longest_wait_s: float = LONGEST_WAIT_S,
    ) -> None:
        if not timeout_s > 0:
            raise ValueError(f"timeout_s is {timeout_s}; it must be above 0")
        self.endpoint: Endpoint = TcpEndpoint(host=host, port=port) if endpoint is None else endpoint
        self.timeout_s = timeout_s
        self.requests = 0
        """Requests sent."""
        self.connects = 0
        """Connections tried."""
        self.by_status: Counter[int] = Counter()
        """Answers given, by status."""
        self.misfits: Counter[str] = Counter()
        """Answers that did not fit, by what was wrong with them."""
        self.trouble = ""
        """What ails the line, for people; empty while all is well."""
        self._broke: int | None = None
        """The unit over which it does; None: the line itself."""
        self._asked: dict[int, Asked] = {}
        self._first_wait_s, self._longest_wait_s = first_wait_s, longest_wait_s
        self._turn = asyncio.Lock()
        self._in_queue = 0
        self._wire: Wire | None = None
        self._quiet = _quiet(self.endpoint)
        self._opening: asyncio.Task[None] | None = None
        self._failures, self._retry_at, self._transaction = 0, 0.0, 0
        self._is_slow = self._is_closed = False

    @property
    def connected(self) -> bool:
        """A connection or port is open, and the next read may use it once the line is quiet."""
        return self._wire is not None and self._wire.usable

    async def read(self, read: Read, deadline_s: float | None = None, *, answer_s: float | None = None) -> Answer:
        """Read registers or bits; never raises for what a device or the network does.

        Args:
            read: what to read.
            deadline_s: take no longer than this, if it is less than the link's ``timeout_s``, s.
            answer_s: a request behind a doubtful silence must leave its answer so long, s; default half of the time.
        """
        answer = await self._read(read, deadline_s, answer_s)
        self.asked(read.unit).took(answer.status, self._trouble_of(read.unit, answer.status))
        return answer

    def asked(self, unit: int) -> Asked:
        """What a unit behind this line was asked, and how it went."""
        if unit not in self._asked:
            self._asked[unit] = Asked()
        return self._asked[unit]

    def _trouble_of(self, unit: int, status: int) -> str:
        """What ails the line, as far as a unit is concerned: that it was not asked may be another's doing."""
        if status == Status.ABSENT and self.trouble and self._broke not in (None, unit):
            return f"its line broke over unit {self._broke}: {self.trouble}"
        return self.trouble

    async def _read(self, read: Read, deadline_s: float | None, answer_s: float | None) -> Answer:
        limit_s = self.timeout_s if deadline_s is None else min(deadline_s, self.timeout_s)
        deadline = asyncio.get_running_loop().time() + limit_s
        spare_s = limit_s / 2 if answer_s is None else answer_s
        if limit_s <= 0 or not await self._take_turn(deadline):
            return self._unasked(Status.ABSENT)
        try:
            wire = self._wire
            if wire is None or not wire.usable or not await self._is_silent(wire, deadline, spare_s):
                wire = await self._reopen(deadline)
                await self._is_silent(wire, deadline, spare_s)
            return await self._exchange(wire, read, deadline)
        except BrokenError as broken:
            if broken.text:
                self.trouble, self._broke = broken.text, None
            return self._unasked(broken.status)
        finally:
            self._turn.release()

    async def close(self) -> None:
        """Hang up for good; reads from now on are ABSENT."""
        self._is_closed = True
        if self._opening is not None:
            self._opening.cancel()
            await asyncio.gather(self._opening, return_exceptions=True)
        if self._wire is not None:
            self._wire.close()
        await asyncio.sleep(0)  # asyncio closes the socket in its next round

    async def _take_turn(self, deadline: float) -> bool:
        if not self._in_queue and not self._turn.locked():
            return await self._turn.acquire()  # at once: nobody has it or waits for it, so no timer is needed
        self._in_queue += 1
        try:
            async with asyncio.timeout_at(deadline):
                return await self._turn.acquire()
        except TimeoutError:
            return False
        finally:
            self._in_queue -= 1

    async def _is_silent(self, wire: Wire, deadline: float, spare_s: float) -> bool:
        """Wait until a request may go out; False when the connection ended meanwhile.

        In doubt a request goes out early enough for its answer or not at all. Sent shortly before its deadline it
        would miss it, the line would be in doubt again for as long as before, and where that is a multiple of the
        scan the next request would go out as late as this one: for ever.
        """
        quiet, time = self._quiet, asyncio.get_running_loop().time
        while quiet is not None and wire.usable:
            left_s = max(0.0, quiet.left_s())
            if left_s == 0 and not wire.unread:
                break
            if time() + left_s >= deadline - (spare_s if quiet.in_doubt else 0.0):
                if quiet.babbles:
                    raise BrokenError(Status.MISMATCH, "the line babbles: bytes come that nobody asked for")
                raise BrokenError(Status.ABSENT)
            await asyncio.sleep(left_s)
        return wire.usable

    # ---- the connection

    async def _reopen(self, deadline: float) -> Wire:
        is_waiting = self._opening is None and asyncio.get_running_loop().time() < self._retry_at
        if self._is_closed or is_waiting:
            raise BrokenError(Status.ABSENT)
        try:
            wire = self._new_wire() if self._opening is None or self._wire is None else self._wire
            await self._open(wire, deadline)
        except BrokenError:
            if self._opening is None:
                self._wait()
            raise
        if self._quiet is not None:
            self._quiet.opened(SETTLE_S)
        return wire

    def _new_wire(self) -> Wire:
        self._hang_up()
        self.connects += 1
        self._wire = Wire(endpoint=self.endpoint, quiet=self._quiet, longest_s=self.timeout_s)
        return self._wire

    async def _open(self, wire: Wire, deadline: float) -> None:
        if isinstance(self.endpoint, TlsEndpoint):
            await self._shake_hands(wire, deadline)
            return
        try:
            await wire.open(deadline=deadline, transaction=self._transaction)
        except asyncio.CancelledError:
            wire.close()
            raise

    async def _shake_hands(self, wire: Wire, deadline: float) -> None:
        """Connect in the background; the read waits for it as long as it can, the next ones find it."""
        now = asyncio.get_running_loop().time()
        if self._opening is None:
            limit = max(deadline, now + HANDSHAKE_S)
            opening = wire.open(deadline=limit, transaction=self._transaction)
            self._opening = asyncio.create_task(opening, name=f"connect {self.endpoint.line}")
        opening_now = self._opening
        await asyncio.wait({opening_now}, timeout=deadline - now)
        if not opening_now.done():
            raise BrokenError(Status.ABSENT, "still connecting")
        self._opening = None
        if opening_now.cancelled():
            raise BrokenError(Status.ABSENT)
        opening_now.result()

    def _hang_up(self) -> None:
        if self._wire is not None:
            self._is_slow |= self._wire.late
            self._transaction = self._wire.transaction or self._transaction
            self._wire.close()

    def _wait(self) -> None:
        self._failures += 1
        pause = wait_s(self._failures, first_s=self._first_wait_s, longest_s=self._longest_wait_s)
        self._retry_at = asyncio.get_running_loop().time() + pause

    # ---- the request

    def _had_gone(self, wire: Wire, broken: BrokenError) -> bool:
        """The peer ended a good connection before it saw the request, as one does that takes a connection a request.

        A new one, asked at once, tells whether it is there; on RTU the old request might still be answered.
        """
        return self._quiet is None and broken.status == Status.RESET and wire.proven and not wire.begun

    async def _exchange(self, wire: Wire, read: Read, deadline: float, *, again: bool = True) -> Answer:
        if self._is_closed:
            wire.close()
        if not wire.usable:
            return self._broken(wire, read, BrokenError(Status.RESET, wire.farewell))
        request = _REQUEST[read.table](dev_id=read.unit, address=read.address, count=read.count)
        self.requests += 1
        self.asked(read.unit).requests += 1
        if self._quiet is not None:
            self._is_slow |= self._quiet.late
        try:
            pdu = await wire.ask(request, deadline)
        except BrokenError as broken:
            if again and self._had_gone(wire, broken):
                return await self._exchange(await self._reopen(deadline), read, deadline, again=False)
            return self._broken(wire, read, broken)
        except BaseException:  # cancelled: the answer may still come
            wire.abandon()
            raise
        self._failures, self._is_slow, self.trouble = 0, False, ""
        return self._answered(wire, read, pdu)

    def _answered(self, wire: Wire, read: Read, pdu: ModbusPDU) -> Answer:
        status = Status.EXCEPTION | pdu.exception_code if pdu.isError() else Status.OK
        words = () if status else _words(read, pdu)
        self.by_status[status] += 1
        return Answer(status=status, words=words, sent_ns=wire.sent_ns, answered_ns=wire.answered_ns)

    def _broken(self, wire: Wire, read: Read, broken: BrokenError) -> Answer:
        status = Status.SLOW if broken.status == Status.SILENT and self._is_slow else broken.status
        if status in (Status.SHORT, Status.MISMATCH):
            self.misfits[broken.text] += 1
        self.trouble, self._broke = broken.text or _SAYS.get(status, ""), read.unit
        if status == Status.RESET and isinstance(self.endpoint, TlsEndpoint) and not wire.proven:
            self.trouble += _REFUSES_US  # what TLS 1.3 says of our certificate may be lost in the reset
        if wire.ended and not wire.proven:  # a peer that breaks every connection at once is not to be stormed
            self._wait()
        self.by_status[status] += 1
        return Answer(status=status, words=(), sent_ns=wire.sent_ns, answered_ns=monotonic_ns())

    def _unasked(self, status: int) -> Answer:
        self.by_status[status] += 1
        now = monotonic_ns()
        return Answer(status=status, words=(), sent_ns=now, answered_ns=now)


def wait_s(failures: int, *, first_s: float, longest_s: float) -> float:
    """Pause before the next connection after so many failures in a row (1 or more), s."""
    return min(longest_s, first_s * 2.0 ** min(failures - 1, 32))


def _quiet(endpoint: Endpoint) -> Quiet | None:
    if not isinstance(endpoint, (SerialEndpoint, RtuOverTcpEndpoint)):
        return None
    return Quiet(pause_s=pause_s(endpoint), latency_s=endpoint.latency_s, character_s=character_s(endpoint))


def _words(read: Read, pdu: ModbusPDU) -> tuple[int, ...]:
    return tuple(map(int, pdu.bits[: read.count])) if read.table.is_bits else tuple(pdu.registers)
