"""Modbus TCP, the answering side of reads, from the published protocol specification alone.

    request   transaction u2 | protocol u2 = 0 | length u2 | unit u1 | function u1 | address u2 | count u2
    answer    the same six bytes with the new length | unit | function | byte count u1 | data
    refusal   ... | function + 0x80 | exception code u1

Source: MODBUS Application Protocol V1.1b3 and MODBUS Messaging on TCP/IP V1.0b (published freely).
"""

import struct
from collections.abc import Callable
from typing import Final

from brakewater.rig import Table

TABLES: Final = {1: Table.COIL, 2: Table.DISCRETE, 3: Table.HOLDING, 4: Table.INPUT}
"""Function code -> table it reads."""
MOST_BITS: Final = 2000
MOST_REGISTERS: Final = 125

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3
NO_SUCH_UNIT: Final = 11
"""Gateway target device failed to respond."""

HEAD: Final = struct.Struct(">HHHB")
LONGEST: Final = 254
"""Unit and request after the length field."""

Read = Callable[[Table, int, int], list[int] | None]
"""Table, address, count -> words or bits; None where one of them is not there."""


class NotModbusError(Exception):
    """What came cannot be Modbus TCP; the connection is of no further use."""


def take_frame(buffer: bytearray) -> tuple[int, int, bytes] | None:
    """Take one whole frame off the front of what has come: transaction, unit, request; None while it is not whole.

    Raises:
        NotModbusError: wrong protocol number or length.
    """
    if len(buffer) < HEAD.size:
        return None
    transaction, protocol, length, unit = HEAD.unpack_from(buffer)
    if protocol != 0 or not 2 <= length <= LONGEST:
        raise NotModbusError(f"protocol {protocol}, length {length}; allowed: protocol 0, length 2 to {LONGEST}")
    end = HEAD.size - 1 + length
    if len(buffer) < end:
        return None
    request = bytes(buffer[HEAD.size : end])
    del buffer[:end]
    return transaction, unit, request


def frame(transaction: int, unit: int, answer: bytes) -> bytes:
    """A whole answer."""
    return HEAD.pack(transaction, 0, len(answer) + 1, unit) + answer


def refusal(request: bytes, code: int) -> bytes:
    """An exception answer."""
    return bytes((request[0] | 0x80, code))


def answer(request: bytes, read: Read) -> bytes:
    """The answer to one request: data, or a refusal."""
    table = TABLES.get(request[0])
    if table is None:
        return refusal(request, ILLEGAL_FUNCTION)
    if len(request) != 5:
        return refusal(request, ILLEGAL_VALUE)
    address, count = struct.unpack(">HH", request[1:])
    if not 1 <= count <= (MOST_BITS if table.is_bits else MOST_REGISTERS):
        return refusal(request, ILLEGAL_VALUE)
    found = read(table, address, count)
    if found is None:
        return refusal(request, ILLEGAL_ADDRESS)
    data = _bits(found) if table.is_bits else struct.pack(f">{count}H", *found)
    return bytes((request[0], len(data))) + data


def _bits(found: list[int]) -> bytes:
    """Eight bits a byte, the first one lowest."""
    number = sum(1 << at for at, bit in enumerate(found) if bit)
    return number.to_bytes((len(found) + 7) // 8, "little")
