"""The pymodbus client of each transport, built so that nothing happens behind our back: no retry, no reconnection."""

import os
import ssl
import termios
from collections.abc import Callable
from functools import partial
from typing import Any, Final, cast

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient, AsyncModbusTlsClient
from pymodbus.client.base import ModbusBaseClient

from brakewater.field.endpoint import Endpoint, RtuOverTcpEndpoint, SerialEndpoint, TlsEndpoint

# pymodbus drops more than one frame's bytes unseen; we want to see a flood, to end it. Above asyncio's largest read.
_SEE_ALL_BYTES: Final = 1 << 20
CANNOT_CONNECT: Final = (OSError, ValueError, termios.error)
"""What a try to connect may raise: a timeout is an OSError, a name beyond DNS and a baud rate beyond the port's driver
are ValueErrors, and a port that refuses settings such as parity says so by termios."""

_PARITY: Final = {"none": "N", "even": "E", "odd": "O"}


def client(
    endpoint: Endpoint,
    *,
    backstop_s: float,
    see_bytes: Callable[[bool, bytes], bytes],
    see_connection: Callable[[bool], None],
    see_end: Callable[[Exception | None], None],
) -> ModbusBaseClient:
    """A client that is not connected yet; needs a running event loop.

    Args:
        endpoint: where to.
        backstop_s: pymodbus' own timeout, s; ours come first.
        see_bytes: gets (is it sent?, the bytes), gives the bytes to go on with.
        see_connection: told that a connection stands.
        see_end: told that it ended by itself, and why.

    Raises:
        OSError: a certificate file cannot be read or does not fit, or pyserial is missing.
    """
    made = _built(endpoint, backstop_s, see_bytes, see_connection)
    made.ctx.max_buffer_size = _SEE_ALL_BYTES
    made.ctx.callback_disconnected = see_end  # type: ignore[assignment,method-assign]  # its own drops the reason
    return made


def _built(
    endpoint: Endpoint,
    backstop_s: float,
    see_bytes: Callable[[bool, bytes], bytes],
    see_connection: Callable[[bool], None],
) -> ModbusBaseClient:
    if isinstance(endpoint, SerialEndpoint):
        return _serial(endpoint, backstop_s, see_bytes, see_connection)
    if isinstance(endpoint, TlsEndpoint):
        return _tls(endpoint, backstop_s, see_bytes, see_connection)
    return AsyncModbusTcpClient(
        endpoint.host,
        port=endpoint.port,
        framer=FramerType.RTU if isinstance(endpoint, RtuOverTcpEndpoint) else FramerType.SOCKET,
        timeout=backstop_s,
        retries=0,
        reconnect_delay=0,
        trace_packet=see_bytes,
        trace_connect=see_connection,
    )


def _serial(
    endpoint: SerialEndpoint,
    backstop_s: float,
    see_bytes: Callable[[bool, bytes], bytes],
    see_connection: Callable[[bool], None],
) -> ModbusBaseClient:
    try:
        return AsyncModbusSerialClient(
            endpoint.port,
            framer=FramerType.RTU,
            baudrate=endpoint.baud,
            parity=_PARITY[endpoint.parity],
            stopbits=endpoint.stop_bits,
            timeout=backstop_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=see_bytes,
            trace_connect=see_connection,
        )
    except RuntimeError as error:
        raise OSError("pyserial is not installed; install it with: pip install 'brakewater[serial]'") from error


def _tls(
    endpoint: TlsEndpoint,
    backstop_s: float,
    see_bytes: Callable[[bool, bytes], bytes],
    see_connection: Callable[[bool], None],
) -> ModbusBaseClient:
    made = AsyncModbusTlsClient(
        endpoint.host,
        port=endpoint.port,
        sslctx=_context(endpoint),
        timeout=backstop_s,
        retries=0,
        reconnect_delay=0,
        trace_packet=see_bytes,
        trace_connect=see_connection,
    )
    if endpoint.name is not None:
        made.ctx.call_create = partial(cast("Any", made.ctx.call_create), server_hostname=endpoint.name)
    return made


def _context(endpoint: TlsEndpoint) -> ssl.SSLContext:
    """Read anew for every connection: a renewed certificate needs no restart."""
    try:
        context = ssl.create_default_context(cafile=endpoint.authority)
    except OSError as error:
        raise OSError(f"authority {endpoint.authority}: {reason(error)}") from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2  # MB-TCP-Security asks for 1.2 or better (from memory)
    if endpoint.certificate is not None:
        try:  # without a pass phrase given, OpenSSL would ask for one at the terminal
            context.load_cert_chain(endpoint.certificate, endpoint.key, password="")
        except (OSError, ValueError) as error:
            raise OSError(f"certificate {endpoint.certificate}, key {endpoint.key}: {reason(error)}") from error
    return context


def reason(error: Exception) -> str:
    """Why something failed, in words for people."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"certificate verify failed: {error.verify_message}"
    if isinstance(error, ssl.SSLError) and error.reason:
        return f"TLS: {error.reason.replace('_', ' ').lower()}"
    if isinstance(error, TimeoutError) and not str(error):
        return "no connection in time"
    if isinstance(error, OSError) and error.errno and "Connect call failed" in str(error):  # asyncio's words
        return os.strerror(error.errno).lower()
    if isinstance(error, termios.error):
        return f"the port refuses these settings (baud, parity, stop bits): {error.args[-1]}"
    return (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__
