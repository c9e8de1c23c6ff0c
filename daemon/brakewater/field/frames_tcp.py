"""Answers on Modbus TCP and on Modbus/TCP Security, judged on their raw bytes.

Header from "MODBUS Messaging on TCP/IP Implementation Guide V1.0b": transaction 2, protocol 2, length 2, unit 1.
"""

from brakewater.field.frames import Due, data_size
from brakewater.quality import Status

_TRANSACTION, _PROTOCOL, _LENGTH = slice(0, 2), slice(2, 4), slice(4, 6)
_UNIT, _FUNCTION = 6, 7
_UNIT_AND_FUNCTION = slice(6, 8)
_REFUSAL_SIZE = 9
_LARGEST_CODE = 0x7F


def due(request: bytes) -> Due:
    """The answer that a read request must get.

    Args:
        request: the 12 bytes of a read request (functions 1 to 4) as sent.
    """
    function, count = request[_FUNCTION], int.from_bytes(request[10:12], "big")
    octets = data_size(function, count)
    length = (3 + octets).to_bytes(2, "big")
    return Due(
        request=request,
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


def misfit(wanted: Due, got: bytes) -> str:
    """What does not fit, in a few words; for an answer that was judged SHORT or MISMATCH."""
    head = wanted.data
    if _is_echo(wanted, got):
        return "echo of the request"
    if got.startswith((head[_UNIT_AND_FUNCTION], wanted.refusal[_UNIT_AND_FUNCTION])):
        return "framed as RTU"
    if not head[_PROTOCOL].startswith(got[_PROTOCOL]):
        return "not Modbus TCP"
    if not head[_TRANSACTION].startswith(got[_TRANSACTION]):
        return "answer to another request"
    return _other_sender(head, got) or _other_size(wanted, got)


def _other_sender(head: bytes, got: bytes) -> str:
    if len(got) > _UNIT and got[_UNIT] != head[_UNIT]:
        return f"unit {got[_UNIT]} answered"
    if len(got) > _FUNCTION and got[_FUNCTION] & 0x7F != head[_FUNCTION]:
        return f"function {got[_FUNCTION]} answered"
    return ""


def _other_size(wanted: Due, got: bytes) -> str:
    if _is_short(wanted, got):
        return "less data than asked for"
    return "bytes beyond the answer" if got.startswith((wanted.data, wanted.refusal)) else "wrong length"


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
    return ours and len(got) >= 6 and got[_LENGTH] < wanted.data[_LENGTH] and not _is_echo(wanted, got)


def _is_echo(wanted: Due, got: bytes) -> bool:
    return len(got) >= 6 and wanted.request.startswith(got[: len(wanted.request)])
