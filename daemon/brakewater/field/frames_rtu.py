"""Answers on RTU, on a serial port or over TCP, judged on their raw bytes.

Frame from "MODBUS over Serial Line Specification and Implementation Guide V1.02", 2.5.1: unit 1, function and data,
checksum 2 (CRC-16: start 0xFFFF, polynomial 0xA001 reflected, low byte first).

An answer says which unit, which function and how much data, but not which request it belongs to: an older answer of the
same unit, function and length fits. What is done against that stands in quiet.py.
"""

from brakewater.field.frames import Due, data_size
from brakewater.quality import Status

_CHECKSUM_SIZE = 2
_HEAD_SIZE = 3
_REFUSAL_SIZE = 5
_LARGEST_CODE = 0x7F
_REQUEST_SIZE = 8
_TCP_UNIT = 6


def _table_entry(octet: int) -> int:
    value = octet
    for _ in range(8):
        value = (value >> 1) ^ (0xA001 if value & 1 else 0)
    return value


_TABLE = tuple(_table_entry(octet) for octet in range(256))


def checksum(data: bytes) -> bytes:
    """The two bytes that close a frame, low byte first."""
    crc = 0xFFFF
    for octet in data:
        crc = (crc >> 8) ^ _TABLE[(crc ^ octet) & 0xFF]
    return crc.to_bytes(2, "little")


def due(request: bytes) -> Due:
    """The answer that a read request must get.

    Args:
        request: the 8 bytes of a read request (functions 1 to 4) as sent.
    """
    unit, function, count = request[0], request[1], int.from_bytes(request[4:6], "big")
    octets = data_size(function, count)
    return Due(
        request=request,
        data=bytes((unit, function, octets)),
        refusal=bytes((unit, function | 0x80)),
        size=_HEAD_SIZE + octets + _CHECKSUM_SIZE,
    )


def judge(wanted: Due, got: bytes) -> int | None:
    """What the bytes received so far come to.

    Args:
        wanted: the answer that is due.
        got: every byte received since the request was sent.

    Returns:
        None while the answer fits but is not complete; ``Status.OK`` or ``Status.EXCEPTION | code`` for a complete
        answer with its right checksum; ``Status.SHORT`` for such an answer with less data than asked for; else
        ``Status.MISMATCH``. Bytes beyond the answer make it a mismatch: nobody can say which of the two was meant.
    """
    size = _announced(wanted, got)
    if size is None or len(got) < size:
        return None
    if len(got) > size or not _is_sealed(got):
        return Status.MISMATCH
    return _refusal(got) if got.startswith(wanted.refusal) else _data(wanted, size)


def misfit(wanted: Due, got: bytes) -> str:
    """What does not fit, in a few words; for an answer that was judged SHORT or MISMATCH."""
    if len(got) >= 4 and wanted.request.startswith(got[:_REQUEST_SIZE]):
        return "echo of the request"
    if got.startswith(wanted.refusal):
        return _other_size(_REFUSAL_SIZE, got) or "exception code unknown"
    if not got.startswith(wanted.data[:2]):
        return _strange(wanted, got)
    size = _HEAD_SIZE + got[2] + _CHECKSUM_SIZE
    return _other_size(size, got) or ("less" if size < wanted.size else "more") + " data than asked for"


def _other_size(size: int, got: bytes) -> str:
    if len(got) < size:
        return "more data than asked for"
    if not _is_sealed(got[:size]):
        return "checksum wrong"
    return "bytes beyond the answer" if len(got) > size else ""


def _strange(wanted: Due, got: bytes) -> str:
    if got[2:4] == b"\x00\x00" and got[_TCP_UNIT:].startswith((wanted.data[:2], wanted.refusal)):
        return "framed as Modbus TCP"
    if got.find(wanted.data, 1) > 0 or got.find(wanted.refusal, 1) > 0:
        return "bytes before the answer"
    ends = (_REFUSAL_SIZE, _REQUEST_SIZE, _HEAD_SIZE + got[2] + _CHECKSUM_SIZE) if len(got) > _HEAD_SIZE else ()
    if any(len(got) >= end and _is_sealed(got[:end]) for end in ends):
        return f"unit {got[0]} answered" if got[0] != wanted.data[0] else f"function {got[1]} answered"
    return "noise"


def _announced(wanted: Due, got: bytes) -> int | None:
    """Size of the frame that begins like this; None while too little of it is there; 0 where it cannot be ours."""
    if len(got) < _HEAD_SIZE:
        begins = wanted.data.startswith(got) or wanted.refusal.startswith(got) or got.startswith(wanted.refusal)
        return None if begins else 0
    if got.startswith(wanted.refusal):
        return _REFUSAL_SIZE
    if not got.startswith(wanted.data[:2]) or got[2] > wanted.data[2]:
        return 0
    return _HEAD_SIZE + got[2] + _CHECKSUM_SIZE


def _data(wanted: Due, size: int) -> int:
    return Status.OK if size == wanted.size else Status.SHORT


def _refusal(got: bytes) -> int:
    return Status.EXCEPTION | got[2] if 1 <= got[2] <= _LARGEST_CODE else Status.MISMATCH


def _is_sealed(frame: bytes) -> bool:
    return checksum(frame[:-_CHECKSUM_SIZE]) == frame[-_CHECKSUM_SIZE:]
