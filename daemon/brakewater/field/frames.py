"""A question to a device, and the answer that fits it: judged on the raw bytes, before anything is decoded.

Layout from "MODBUS Messaging on TCP/IP Implementation Guide V1.0b" (header: transaction 2, protocol 2, length 2,
unit 1) and "MODBUS Application Protocol Specification V1.1b3" (reads 01 to 04: function 1, byte count 1, data; a
refusal: function | 0x80, exception code 1). All but the data of an answer follows from the request, so the whole
beginning of the answer is known before it comes and is compared byte for byte.
"""

from dataclasses import dataclass

from brakewater.quality import Status
from brakewater.rig.model import Table

_LENGTH = slice(4, 6)
_UNIT_AND_FUNCTION = slice(6, 8)
_BIT_FUNCTIONS = (1, 2)
_REFUSAL_SIZE = 9
_LARGEST_CODE = 0x7F
_LARGEST_UNIT = 255
_ADDRESSES = 0x10000


# Quantities one read may ask for: MODBUS Application Protocol Specification V1.1b3, 6.1 to 6.4.
MOST = {Table.COIL: 2000, Table.DISCRETE: 2000, Table.INPUT: 125, Table.HOLDING: 125}


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """One read request. Raises ValueError when no device could ever answer it."""

    unit: int
    table: Table
    address: int
    """Wire address, from 0."""
    count: int

    def __post_init__(self) -> None:
        _within("unit", self.unit, 0, _LARGEST_UNIT)
        _within("count", self.count, 1, MOST[self.table])
        _within("address", self.address, 0, _ADDRESSES - self.count)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a read came to."""

    status: int
    words: tuple[int, ...]
    """As many as asked for, bits as 0 and 1; none unless OK."""
    sent_ns: int
    """Steady time just before the request went out; the values are no older. The time of the answer if none did."""
    answered_ns: int
    """Steady time at which the answer was complete, or the read was given up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """The answer one request must get."""

    data: bytes
    """First nine bytes of an answer that carries data."""
    refusal: bytes
    """First eight bytes of an exception answer; the code follows."""
    size: int
    """Bytes of the whole answer that carries data."""


def due(request: bytes) -> Due:
    """The answer that a read request must get.

    Args:
        request: the 12 bytes of a read request (functions 1 to 4) as sent.
    """
    function, count = request[7], int.from_bytes(request[10:12], "big")
    octets = (count + 7) // 8 if function in _BIT_FUNCTIONS else 2 * count
    length = (3 + octets).to_bytes(2, "big")
    return Due(
        data=request[:4] + length + request[_UNIT_AND_FUNCTION] + bytes((octets,)),
        refusal=request[:4] + b"\x00\x03" + request[6:7] + bytes((function | 0x80,)),
        size=9 + octets,
    )


def judge(wanted: Due, got: bytes) -> int | None:
    """What the bytes received so far come to.

    Args:
        wanted: the answer that is due.
        got: every byte received since the request was sent.

    Returns:
        None while the answer fits but is not complete; ``Status.OK`` or ``Status.EXCEPTION | code`` for a complete
        answer; ``Status.SHORT`` for our answer with less data than asked for; else ``Status.MISMATCH``. Bytes beyond
        the answer make it a mismatch: nobody can say which of the two was meant.
    """
    if got.startswith(wanted.data):
        return _complete(len(got), wanted.size, Status.OK)
    if got.startswith(wanted.refusal):
        return _refusal(got)
    if wanted.data.startswith(got) or wanted.refusal.startswith(got):
        return None
    return Status.SHORT if _is_short(wanted, got) else Status.MISMATCH


def _complete(has: int, size: int, status: int) -> int | None:
    if has < size:
        return None
    return status if has == size else Status.MISMATCH


def _refusal(got: bytes) -> int | None:
    code = got[8] if len(got) > 8 else 1
    known = 1 <= code <= _LARGEST_CODE
    return _complete(len(got), _REFUSAL_SIZE, Status.EXCEPTION | code if known else Status.MISMATCH)


def _is_short(wanted: Due, got: bytes) -> bool:
    ours = got[:4] == wanted.data[:4] and wanted.data[_UNIT_AND_FUNCTION].startswith(got[_UNIT_AND_FUNCTION])
    return ours and len(got) >= 6 and got[_LENGTH] < wanted.data[_LENGTH]


def _within(name: str, value: int, least: int, most: int) -> None:
    if not least <= value <= most:
        raise ValueError(f"{name} is {value}; allowed are {least} to {most}")
