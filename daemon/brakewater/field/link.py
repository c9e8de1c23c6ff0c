"""The line to one device endpoint: ask for registers, get an answer with a status, never an exception.

    status        what happened
    OK            the answer fits the request in every byte but its data
    SILENT        asked, nothing came in time
    SLOW          asked, not complete in time, but bytes came: in time for a part, or after the last given-up request
    REFUSED       host there, port closed
    RESET         the peer hung up, on the request or on the fresh connection
    SHORT         our answer, with less data than asked for
    MISMATCH      other transaction (0 too), protocol, unit, function, byte count, or bytes beyond the answer
    ABSENT        not asked: nobody reached, waiting to connect again, no turn before the deadline, or closed
    0x80 | code   the device refused: Modbus exception

After anything but OK and an exception the connection is closed before the next request, so that a late or foreign
answer has nowhere to arrive.
"""

import asyncio
from collections import Counter
from time import monotonic_ns

from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from brakewater.field.frames import Answer, Read
from brakewater.field.wire import BrokenError, Wire
from brakewater.quality import Status
from brakewater.rig.model import Table

__all__ = ["FIRST_WAIT_S", "LONGEST_WAIT_S", "Answer", "Link", "Read", "Table", "wait_s"]

FIRST_WAIT_S = 0.05
LONGEST_WAIT_S = 2.0

_REQUEST: dict[Table, type[ModbusPDU]] = {
    Table.COIL: ReadCoilsRequest,
    Table.DISCRETE: ReadDiscreteInputsRequest,
    Table.INPUT: ReadInputRegistersRequest,
    Table.HOLDING: ReadHoldingRegistersRequest,
}


class Link:
    """The line to one host and port; reads take turns on one connection, which is opened when it is needed.

    Args:
        host: address or name of the device.
        port: TCP port.
        timeout_s: no read takes longer, whatever it waits for (turn, connection, answer), s.
        first_wait_s: pause after a first failed connection, s; doubles with every further one.
        longest_wait_s: the pause grows no longer, s.
    """

    def __init__(
        self,
        *,
        host: str,
        port: int,
        timeout_s: float,
        first_wait_s: float = FIRST_WAIT_S,
        longest_wait_s: float = LONGEST_WAIT_S,
    ) -> None:
        if not timeout_s > 0:
            raise ValueError(f"timeout_s is {timeout_s}; it must be above 0")
        self.host, self.port, self.timeout_s = host, port, timeout_s
        self.requests = 0
        """Requests sent."""
        self.connects = 0
        """Connections tried."""
        self.by_status: Counter[int] = Counter()
        """Answers given, by status."""
        self._first_wait_s, self._longest_wait_s = first_wait_s, longest_wait_s
        self._turn = asyncio.Lock()
        self._wire: Wire | None = None
        self._failures, self._retry_at, self._transaction = 0, 0.0, 0
        self._is_slow = self._is_closed = False

    @property
    def connected(self) -> bool:
        """A connection is open and nothing on it is in doubt."""
        return self._wire is not None and self._wire.usable

    async def read(self, read: Read, deadline_s: float | None = None) -> Answer:
        """Read registers or bits; never raises for what a device or the network does.

        Args:
            read: what to read.
            deadline_s: take no longer than this, if it is less than the link's ``timeout_s``, s.
        """
        limit_s = self.timeout_s if deadline_s is None else min(deadline_s, self.timeout_s)
        deadline = asyncio.get_running_loop().time() + limit_s
        if limit_s <= 0 or not await self._take_turn(deadline):
            return self._unasked(Status.ABSENT)
        try:
            wire = self._wire
            if wire is None or not wire.usable:
                wire = await self._reopen(deadline)
            return await self._exchange(wire, read, deadline)
        except BrokenError as broken:
            return self._unasked(broken.status)
        finally:
            self._turn.release()

    async def close(self) -> None:
        """Hang up for good; reads from now on are ABSENT."""
        self._is_closed = True
        if self._wire is not None:
            self._wire.close()
        await asyncio.sleep(0)  # asyncio closes the socket in its next round

    async def _take_turn(self, deadline: float) -> bool:
        try:
            async with asyncio.timeout_at(deadline):
                return await self._turn.acquire()
        except TimeoutError:
            return False

    async def _reopen(self, deadline: float) -> Wire:
        loop = asyncio.get_running_loop()
        if self._is_closed or loop.time() < self._retry_at:
            raise BrokenError(Status.ABSENT)
        self._hang_up()
        self.connects += 1
        wire = self._wire = Wire(host=self.host, port=self.port, longest_s=self.timeout_s)
        try:
            await wire.open(deadline=deadline, transaction=self._transaction)
        except BrokenError:
            self._wait(loop.time())
            raise
        except BaseException:
            wire.close()
            raise
        return wire

    def _hang_up(self) -> None:
        if self._wire is not None:
            self._is_slow |= self._wire.late
            self._transaction = self._wire.transaction or self._transaction
            self._wire.close()

    def _wait(self, now: float) -> None:
        self._failures += 1
        self._retry_at = now + wait_s(self._failures, first_s=self._first_wait_s, longest_s=self._longest_wait_s)

    async def _exchange(self, wire: Wire, read: Read, deadline: float) -> Answer:
        if self._is_closed:
            wire.close()
        if not wire.usable:
            return self._broken(wire, Status.RESET)
        request = _REQUEST[read.table](dev_id=read.unit, address=read.address, count=read.count)
        self.requests += 1
        try:
            pdu = await wire.ask(request, deadline)
        except BrokenError as broken:
            return self._broken(wire, broken.status)
        except BaseException:  # cancelled: the answer may still come, so the connection must not live on
            wire.close()
            raise
        self._failures, self._is_slow = 0, False
        return self._answered(wire, read, pdu)

    def _answered(self, wire: Wire, read: Read, pdu: ModbusPDU) -> Answer:
        status = Status.EXCEPTION | pdu.exception_code if pdu.isError() else Status.OK
        words = () if status else _words(read, pdu)
        self.by_status[status] += 1
        return Answer(status=status, words=words, sent_ns=wire.sent_ns, answered_ns=wire.answered_ns)

    def _broken(self, wire: Wire, status: int) -> Answer:
        if status == Status.SILENT and self._is_slow:
            status = Status.SLOW
        if status not in (Status.SILENT, Status.SLOW):
            wire.close()
            if not wire.proven:  # a peer that breaks every connection at once is not to be stormed
                self._wait(asyncio.get_running_loop().time())
        self.by_status[status] += 1
        return Answer(status=status, words=(), sent_ns=wire.sent_ns, answered_ns=monotonic_ns())

    def _unasked(self, status: int) -> Answer:
        self.by_status[status] += 1
        now = monotonic_ns()
        return Answer(status=status, words=(), sent_ns=now, answered_ns=now)


def wait_s(failures: int, *, first_s: float, longest_s: float) -> float:
    """Pause before the next connection after so many failures in a row (1 or more), s."""
    return min(longest_s, first_s * 2.0 ** min(failures - 1, 32))


def _words(read: Read, pdu: ModbusPDU) -> tuple[int, ...]:
    return tuple(map(int, pdu.bits[: read.count])) if read.table.is_bits else tuple(pdu.registers)
