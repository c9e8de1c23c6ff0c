"""What lies under pymodbus' transports: the serial port or socket itself."""

import contextlib
import select
from typing import Any

from pymodbus.transaction import TransactionManager


def has_unread(context: TransactionManager) -> bool:
    """Bytes, or the end, wait in the kernel."""
    return _is_ready(context, select.POLLIN)


def takes_bytes(context: TransactionManager) -> bool:
    """There is room for a request; pyserial would wait for it in a busy loop."""
    return _is_ready(context, select.POLLOUT)


def send_at_once(context: TransactionManager, data: bytes) -> None:
    """Write to a serial port now: in the loop's next round, where pymodbus would, an older answer could come first."""
    context.send(data)
    transport: Any = context.transport
    if transport is not None:
        transport.intern_write_ready()


def drop_unsent(context: TransactionManager) -> None:
    """What a serial port has not sent yet must not go out behind the next request."""
    transport: Any = context.transport
    if transport is None or transport.sync_serial is None:
        return
    transport.flush()
    with contextlib.suppress(Exception):  # termios.error when the port has gone; reading will find that out
        transport.sync_serial.reset_output_buffer()


def _is_ready(context: TransactionManager, event: int) -> bool:
    transport: Any = context.transport
    if transport is None:
        return False
    port = transport.get_extra_info("socket") or getattr(transport, "sync_serial", None)
    number = -1 if port is None else port.fileno()
    if number < 0:
        return False
    look = select.poll()
    look.register(number, event)
    return bool(look.poll(0))
