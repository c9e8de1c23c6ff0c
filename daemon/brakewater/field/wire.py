"""One connection to a device or an open serial port: nothing is decoded before its raw bytes were judged.

pymodbus sends, frames and decodes; this file and clients.py alone know its inside (3.16.1). Left to itself it hands out
answers with transaction 0, with too few registers or with another function, takes a late answer on RTU for the next
one, waits out the whole time when the peer hangs up, and never says why a connection failed. So its trace hooks show us
every byte first: what does not fit is never decoded, and whatever ends a request early is put into the future it waits
on (``ctx.response_future``).

A socket is thrown away at the first doubt, with a new client for the next, since pymodbus lets the late farewell of an
old connection end a new one. A serial port stays open: its line is kept quiet instead (quiet.py).
"""

import asyncio
import errno
import ssl
from time import monotonic_ns
from typing import cast

from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU

from brakewater.field import frames, frames_rtu, frames_tcp, port
from brakewater.field.clients import CANNOT_CONNECT, client, reason
from brakewater.field.endpoint import Endpoint, SerialEndpoint
from brakewater.field.quiet import Quiet
from brakewater.quality import Status


class BrokenError(Exception):
    """A request or a connection came to nothing; ``status`` says what it came to, ``text`` why, where that is known."""

    def __init__(self, status: int, text: str = "") -> None:
        super().__init__(status, text)
        self.status, self.text = status, text


class Wire:
    """One connection; build it inside a running event loop.

    Args:
        endpoint: where to.
        quiet: the silence that an RTU line keeps; None where answers are numbered (Modbus TCP and TLS).
        longest_s: no request waits longer than this, s.

    Raises:
        BrokenError: ABSENT, when not even a connection can be tried (certificate files, pyserial).
    """

    __slots__ = (
        "_begun",
        "_client",
        "_due",
        "_echo",
        "_is_serial",
        "_judge",
        "_loop",
        "_misfit",
        "_open",
        "_quiet",
        "_spent",
        "_what_is_due",
        "answered_ns",
        "farewell",
        "late",
        "proven",
        "sent_ns",
    )

    def __init__(self, *, endpoint: Endpoint, quiet: Quiet | None, longest_s: float) -> None:
        self.sent_ns = self.answered_ns = monotonic_ns()
        self.proven = False
        """One valid answer has come."""
        self.late = False
        """Bytes came after their request had been given up (where answers are numbered)."""
        self.farewell = ""
        """Why the connection ended by itself."""
        framing = frames_tcp if quiet is None else frames_rtu
        self._what_is_due, self._judge, self._misfit = framing.due, framing.judge, framing.misfit
        self._quiet = quiet
        self._is_serial = isinstance(endpoint, SerialEndpoint)
        self._echo: bool = getattr(endpoint, "echo", False)
        self._due: frames.Due | None = None
        self._begun = self._open = self._spent = False
        self._loop = asyncio.get_running_loop()
        try:
            self._client = client(
                endpoint,
                backstop_s=2 * longest_s,
                see_bytes=self._see_bytes,
                see_connection=self._see_connection,
                see_end=self._see_end,
            )
        except OSError as error:
            raise BrokenError(Status.ABSENT, reason(error)) from error
        if self._is_serial:
            self._client.ctx.low_level_send = self._send_at_once

    @property
    def usable(self) -> bool:
        """Open, and no answer on it could be another's but for what the line's silence takes care of."""
        return self._open and not self._spent

    @property
    def begun(self) -> bool:
        """Part of the answer to the last request has come."""
        return self._begun

    @property
    def ended(self) -> bool:
        """The connection is gone."""
        return not self._open

    @property
    def transaction(self) -> int:
        """Transaction number of the last request; 0 on RTU."""
        return self._client.ctx.request_transaction_id

    @property
    def unread(self) -> bool:
        """Bytes, or the end, wait in the kernel."""
        return port.has_unread(self._client.ctx)

    async def open(self, *, deadline: float, transaction: int) -> None:
        """Connect, or open the serial port.

        Args:
            deadline: loop time at which to give up, s.
            transaction: last number used before; numbers run on, so that no recent one comes again.

        Raises:
            BrokenError: REFUSED when the host is there and the port closed, RESET when it hung up at once, else ABSENT.
        """
        try:
            async with asyncio.timeout_at(deadline):
                await self._client.ctx.call_create()  # connect() would hide the reason
                while not (self._open or self._spent):  # noqa: ASYNC110 a serial port is up in the loop's next rounds
                    await asyncio.sleep(0)
        except CANNOT_CONNECT as error:
            self.close()
            raise BrokenError(_why(error), reason(error)) from error
        self._client.ctx.next_tid = transaction

    async def ask(self, request: ModbusPDU, deadline: float) -> ModbusPDU:
        """Send one read request and wait for the answer that fits it.

        Args:
            request: a request that is not out already.
            deadline: loop time at which to give up, s.

        Raises:
            BrokenError: SILENT, SLOW, RESET, SHORT or MISMATCH. A socket is no longer usable, an RTU line in doubt.
        """
        task = cast("asyncio.Task[object]", asyncio.current_task())
        cancels = task.cancelling()
        timer = self._loop.call_at(deadline, self._expire)
        try:
            return cast("ModbusPDU", await self._client.execute(False, request))  # noqa: FBT003 pymodbus' own order
        except ModbusException as error:  # cannot come through our checks; if it does, the answer is not to be trusted
            self.abandon()
            raise BrokenError(Status.MISMATCH) from error
        finally:
            timer.cancel()
            self._due = None
            if task.cancelling() > cancels:  # wait_for of Python 3.11 forgets a cancel that meets the answer
                raise asyncio.CancelledError

    def abandon(self) -> None:
        """Nobody waits for the answer any more, yet it may come."""
        if self._quiet is not None:
            self._quiet.gave_up()
        if self._is_serial:
            port.drop_unsent(self._client.ctx)
        else:
            self.close()

    def close(self) -> None:
        """End the connection now; a request that waits ends with RESET."""
        self._give_up(Status.RESET)
        self._spent = True
        self._hang_up()
        self._open = False
        self._client.close()

    def _hang_up(self) -> None:
        transport = self._client.ctx.transport
        if transport is not None:
            cast("asyncio.Transport", transport).abort()  # close() would first wait for a peer that reads nothing

    def _expire(self) -> None:
        # The connection stays open until the next request, to learn whether the device is slow or silent.
        self._give_up(Status.SLOW if self._begun else Status.SILENT)

    def _give_up(self, status: int, text: str = "") -> None:
        answer = self._client.ctx.response_future
        if self._due is not None:
            if not answer.done():
                answer.set_exception(BrokenError(status, text))
            if self._quiet is not None:
                self._quiet.gave_up()
        self._due = None
        self._client.ctx.recv_buffer = b""
        if self._is_serial:
            port.drop_unsent(self._client.ctx)
        else:
            self._spent = True

    def _see_connection(self, is_up: bool) -> None:  # noqa: FBT001 pymodbus' own order
        if self._spent:  # closed while a serial port was on its way up
            self._hang_up()
            return
        self._open = is_up

    def _see_end(self, error: Exception | None) -> None:
        self._open, self._spent = False, True
        self.farewell = "hung up" if error is None else reason(error)
        self._give_up(Status.RESET, self.farewell)

    def _see_bytes(self, is_sending: bool, data: bytes) -> bytes:  # noqa: FBT001 pymodbus' own order
        if not is_sending:
            return self._accept(data)
        self._due, self._begun, self.sent_ns = self._what_is_due(data), False, monotonic_ns()
        if self._quiet is not None:
            self._quiet.sending(len(data))
        return data

    def _accept(self, data: bytes) -> bytes:
        """The bytes to decode: a whole valid answer, or none."""
        if self._due is None:
            self._overhear(len(data))
            return b""
        if self._quiet is not None:
            self._quiet.answered()
        got = self._without_echo(self._due.request, data)
        status = self._judge(self._due, got) if got else None
        self._begun, self.answered_ns = self._begun or bool(got), monotonic_ns()
        if status is None:
            return b""
        self._client.ctx.recv_buffer = b""
        if status == Status.OK or status & Status.EXCEPTION:
            self._due, self.proven = None, True
            return got
        self._give_up(status, self._misfit(self._due, got))
        if not self._is_serial:
            self.close()
        return b""

    def _without_echo(self, request: bytes, data: bytes) -> bytes:
        if not self._echo:
            return data
        return b"" if request.startswith(data) else data.removeprefix(request)

    def _overhear(self, octets: int) -> None:
        self._client.ctx.recv_buffer = b""
        if self._quiet is None:
            self.late = self._spent
            self.close()
            return
        self._quiet.heard(octets)
        if self._quiet.babbles and not self._is_serial:
            self.close()

    def _send_at_once(self, data: bytes, addr: object = None) -> None:
        del addr  # UDP's
        if port.takes_bytes(self._client.ctx):
            port.send_at_once(self._client.ctx, data)
            return
        self._give_up(Status.RESET, "the port takes no bytes")
        self.close()


def _why(error: Exception) -> Status:
    if isinstance(error, ConnectionResetError):
        return Status.RESET
    if isinstance(error, ssl.SSLError):
        return Status.ABSENT
    # asyncio joins the errors of several addresses of one name into a text.
    refused = isinstance(error, ConnectionRefusedError) or f"[Errno {errno.ECONNREFUSED}]" in str(error)
    return Status.REFUSED if refused else Status.ABSENT
