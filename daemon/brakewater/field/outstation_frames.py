"""Modbus TCP, the answering side: reads of all four tables and writes of coils, nothing else.

From "MODBUS Application Protocol Specification V1.1b3" (6.1 to 6.5, 6.11, 7) and "MODBUS Messaging on TCP/IP
Implementation Guide V1.0b": transaction 2, protocol 2 = 0, length 2, unit 1, then function and data. A request is
checked in the order that the former draws: function, quantity, address, and whether it can be carried out.
"""

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3
BUSY: Final = 6
"""Server device busy."""
NO_SUCH_UNIT: Final = 11
"""Gateway target device failed to respond."""

MOST_REGISTERS: Final = 125
MOST_BITS: Final = 2000
MOST_COILS_WRITTEN: Final = 1968
_HEAD: Final = struct.Struct(">HHHB")
_TWO: Final = struct.Struct(">HH")
_SHORTEST, _LONGEST = 2, 254
_ON, _OFF = 0xFF00, 0


class NotModbusError(Exception):
    """What came is no Modbus TCP; nothing after it can be read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """What requests are answered from, at one moment."""

    registers: bytes
    """High byte first; both the holding and the input table."""
    discrete: int
    """Input 0 is the lowest bit."""
    discrete_count: int
    coils: int
    coil_count: int
    write: Callable[[int, bool], None] | None
    """Takes coil and value; None: none is taken now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One request."""

    transaction: int
    unit: int
    request: bytes
    """Function and data."""


def take(buffer: bytearray) -> Frame | None:
    """Take one whole request off the front of what has come; None while it is not whole.

    Raises:
        NotModbusError: wrong protocol number or length.
    """
    if len(buffer) < _HEAD.size:
        return None
    transaction, protocol, length, unit = _HEAD.unpack_from(buffer)
    if protocol != 0 or not _SHORTEST <= length <= _LONGEST:
        raise NotModbusError(f"protocol {protocol}, length {length}")
    end = _HEAD.size - 1 + length
    if len(buffer) < end:
        return None
    request = bytes(buffer[_HEAD.size : end])
    del buffer[:end]
    return Frame(transaction=transaction, unit=unit, request=request)


def framed(asked: Frame, answer: bytes) -> bytes:
    """A whole answer."""
    return _HEAD.pack(asked.transaction, 0, len(answer) + 1, asked.unit) + answer


def refusal(request: bytes, code: int) -> bytes:
    """An exception answer."""
    return bytes((request[0] | 0x80, code))


def answer(request: bytes, tables: Tables) -> bytes:
    """The answer to one request: data, the echo of a write, or a refusal."""
    known = _FUNCTIONS.get(request[0])
    return refusal(request, ILLEGAL_FUNCTION) if known is None else known(request, tables)


def _span(request: bytes, most: int, size: int, length: int = 5) -> tuple[int, int] | int:
    """Address and count of a request, or the code it is refused with."""
    if len(request) != length:
        return ILLEGAL_VALUE
    address, count = _TWO.unpack_from(request, 1)
    if not 1 <= count <= most:
        return ILLEGAL_VALUE
    return (address, count) if address + count <= size else ILLEGAL_ADDRESS


def _read_registers(request: bytes, tables: Tables) -> bytes:
    span = _span(request, MOST_REGISTERS, len(tables.registers) // 2)
    if isinstance(span, int):
        return refusal(request, span)
    address, count = span
    return bytes((request[0], 2 * count)) + tables.registers[2 * address : 2 * (address + count)]


def _read_discrete(request: bytes, tables: Tables) -> bytes:
    return _read_bits(request, tables.discrete, tables.discrete_count)


def _read_coils(request: bytes, tables: Tables) -> bytes:
    return _read_bits(request, tables.coils, tables.coil_count)


def _read_bits(request: bytes, bits: int, size: int) -> bytes:
    span = _span(request, MOST_BITS, size)
    if isinstance(span, int):
        return refusal(request, span)
    address, count = span
    octets = (count + 7) // 8
    return bytes((request[0], octets)) + (bits >> address & (1 << count) - 1).to_bytes(octets, "little")


def _write_coil(request: bytes, tables: Tables) -> bytes:
    if len(request) != 5:
        return refusal(request, ILLEGAL_VALUE)
    address, value = _TWO.unpack_from(request, 1)
    if value not in (_ON, _OFF):
        return refusal(request, ILLEGAL_VALUE)
    if address >= tables.coil_count:
        return refusal(request, ILLEGAL_ADDRESS)
    if tables.write is None:
        return refusal(request, BUSY)
    tables.write(address, value == _ON)
    return request


def _write_coils(request: bytes, tables: Tables) -> bytes:
    octets = request[5] if len(request) > 5 else 0
    span = _span(request, MOST_COILS_WRITTEN, tables.coil_count, 6 + octets)
    if not isinstance(span, int) and octets != (span[1] + 7) // 8:
        span = ILLEGAL_VALUE
    if isinstance(span, int):
        return refusal(request, span)
    if tables.write is None:
        return refusal(request, BUSY)
    address, count = span
    values = int.from_bytes(request[6:], "little")
    for at in range(count):
        tables.write(address + at, bool(values >> at & 1))
    return request[:5]


_FUNCTIONS: Final[dict[int, Callable[[bytes, Tables], bytes]]] = {
    1: _read_coils,
    2: _read_discrete,
    3: _read_registers,
    4: _read_registers,
    5: _write_coil,
    15: _write_coils,
}
