"""One Modbus TCP connection: opened once, thrown away at the first doubt.

pymodbus sends, frames and decodes; this file alone knows its inside (3.16.1). Left to itself it hands out answers with
transaction 0, with too few registers or with another function, waits out the whole time when the peer hangs up, and
never says why a connection failed. So its trace hooks show us every byte first: what does not fit is never decoded,
and whatever ends a request early is put into the future it waits on (``ctx.response_future``).

A new client is built for every connection, since pymodbus lets the late farewell of an old connection end a new one.
"""

import asyncio
import errno
from time import monotonic_ns
from typing import cast

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from brakewater.field.frames import Due, due, judge
from brakewater.quality import Status

# pymodbus drops more than one frame's bytes unseen; we want to see a flood, to end it. Above asyncio's largest read.
_SEE_ALL_BYTES = 1 << 20


class BrokenError(Exception):
    """The connection is of no more use; ``status`` says what the request came to."""

    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


class Wire:
    """One connection; build it inside a running event loop.

    Args:
        host: address or name of the device.
        port: TCP port of the device.
        longest_s: no request waits longer than this, s.
    """

    __slots__ = ("_begun", "_client", "_due", "_loop", "_open", "_spent", "answered_ns", "late", "proven", "sent_ns")

    def __init__(self, *, host: str, port: int, longest_s: float) -> None:
        self.sent_ns = self.answered_ns = monotonic_ns()
        self.proven = False
        """One valid answer has come."""
        self.late = False
        """Bytes came after their request had been given up."""
        self._due: Due | None = None
        self._begun = self._open = self._spent = False
        self._loop = asyncio.get_running_loop()
        self._client = AsyncModbusTcpClient(
            host,
            port=port,
            timeout=2 * longest_s,  # only a backstop: our own timer comes first
            retries=0,
            reconnect_delay=0,
            trace_packet=self._see_bytes,
            trace_connect=self._see_connection,
        )
        self._client.ctx.max_buffer_size = _SEE_ALL_BYTES

    @property
    def usable(self) -> bool:
        """Open, and nothing on it is in doubt."""
        return self._open and not self._spent

    @property
    def transaction(self) -> int:
        """Transaction number of the last request."""
        return self._client.ctx.request_transaction_id

    async def open(self, *, deadline: float, transaction: int) -> None:
        """Connect.

        Args:
            deadline: loop time at which to give up, s.
            transaction: last number used before; numbers run on, so that no recent one comes again.

        Raises:
            BrokenError: REFUSED when the host is there and the port closed, RESET when it hung up at once, else ABSENT.
        """
        try:
            async with asyncio.timeout_at(deadline):
                await self._client.ctx.call_create()  # connect() would hide the reason
        except (OSError, UnicodeError) as error:  # a timeout is an OSError, a name beyond DNS a UnicodeError
            self.close()
            raise BrokenError(_why(error)) from error
        self._client.ctx.next_tid = transaction

    async def ask(self, request: ModbusPDU, deadline: float) -> ModbusPDU:
        """Send one read request and wait for the answer that fits it.

        Args:
            request: a request that is not out already.
            deadline: loop time at which to give up, s.

        Raises:
            BrokenError: SILENT, SLOW, RESET, SHORT or MISMATCH. The wire is no longer usable.
        """
        task = cast("asyncio.Task[object]", asyncio.current_task())
        cancels = task.cancelling()
        timer = self._loop.call_at(deadline, self._expire)
        try:
            return cast("ModbusPDU", await self._client.execute(False, request))  # noqa: FBT003 pymodbus' own order
        except ModbusException as error:  # cannot come through our checks; if it does, the answer is not to be trusted
            raise BrokenError(Status.MISMATCH) from error
        finally:
            timer.cancel()
            self._due = None
            if task.cancelling() > cancels:  # wait_for of Python 3.11 forgets a cancel that meets the answer
                raise asyncio.CancelledError

    def close(self) -> None:
        """End the connection now; a request that waits ends with RESET."""
        self._spend(Status.RESET)
        transport, self._open = self._client.ctx.transport, False
        if transport is not None:
            cast("asyncio.Transport", transport).abort()  # close() would first wait for a peer that reads nothing
        self._client.close()

    def _expire(self) -> None:
        # The connection stays open until the next request, to learn whether the device is slow or silent.
        self._spend(Status.SLOW if self._begun else Status.SILENT)

    def _spend(self, status: int) -> None:
        self._spent = True
        answer = self._client.ctx.response_future
        if self._due is not None and not answer.done():
            answer.set_exception(BrokenError(status))
        self._due = None

    def _see_connection(self, is_up: bool) -> None:  # noqa: FBT001 pymodbus' own order
        self._open = is_up
        if not is_up:
            self._spend(Status.RESET)

    def _see_bytes(self, is_sending: bool, data: bytes) -> bytes:  # noqa: FBT001 pymodbus' own order
        if is_sending:
            self._due, self._begun, self.sent_ns = due(data), False, monotonic_ns()
            return data
        return data if self._accept(data) else b""

    def _accept(self, data: bytes) -> bool:
        if self._due is None:
            self.late = self._spent
            self.close()
            return False
        status = judge(self._due, data)
        self._begun, self.answered_ns = True, monotonic_ns()
        if status is None:
            return False
        if status == Status.OK or status & Status.EXCEPTION:
            self._due, self.proven = None, True
            return True
        self._spend(status)
        self.close()
        return False


def _why(error: Exception) -> Status:
    if isinstance(error, ConnectionResetError):
        return Status.RESET
    # asyncio joins the errors of several addresses of one name into a text.
    refused = isinstance(error, ConnectionRefusedError) or f"[Errno {errno.ECONNREFUSED}]" in str(error)
    return Status.REFUSED if refused else Status.ABSENT
