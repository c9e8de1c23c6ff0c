"""Sparkplug B payloads as bytes, and the little that is read of one.

The message definition stands in the Eclipse Sparkplug 3.0 specification, chapter 6 (numbers of fields and data types
from memory; tests decode with Google's protobuf package). Protocol Buffers wire format: a key is ``field << 3 | type``
with type 0 for a varint, 1 for eight bytes, 2 for length and bytes, 5 for four bytes.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum
from struct import Struct
from typing import Final

Value = float | int | bool | str

_VARINT: Final = 0
_EIGHT: Final = 1
_BYTES: Final = 2
_FOUR: Final = 5
_DOUBLE: Final = Struct("<d")
_LONGEST: Final = 10
"""Bytes of a varint of 64 bits."""


class DataType(IntEnum):
    """Data types used here."""

    INT32 = 3
    INT64 = 4
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12


class Quality(IntEnum):
    """Values of the property ``Quality``."""

    BAD = 0
    GOOD = 192
    UNCERTAIN = 500
    """The specification calls it stale; it has no word for uncertain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Metric:
    """One named value."""

    name: str
    type: DataType
    value: Value | None
    """None: not known."""
    quality: Quality | None = None
    unit: str | None = None
    """Told with births only."""


def payload(timestamp_ms: int, metrics: Sequence[Metric], seq: int | None) -> bytes:
    """A payload.

    Args:
        timestamp_ms: wall time.
        metrics: in order.
        seq: 0 to 255; None with an NDEATH.
    """
    body = b"".join(_nested(2, _metric(metric, timestamp_ms)) for metric in metrics)
    return _number(1, timestamp_ms) + body + (b"" if seq is None else _number(3, seq))


def _metric(metric: Metric, timestamp_ms: int) -> bytes:
    head = _text(1, metric.name) + _number(3, timestamp_ms) + _number(4, metric.type)
    if metric.value is None:
        return head + _number(7, 1) + _properties(metric)
    return head + _properties(metric) + _value(metric.type, metric.value)


def _value(kind: DataType, value: Value) -> bytes:
    match kind:
        case DataType.INT32:
            return _number(10, int(value) & 0xFFFF_FFFF)
        case DataType.INT64:
            return _number(11, int(value) & 0xFFFF_FFFF_FFFF_FFFF)
        case DataType.DOUBLE:
            return _key(13, _EIGHT) + _DOUBLE.pack(float(value))
        case DataType.BOOLEAN:
            return _number(14, int(bool(value)))
        case DataType.STRING:
            return _text(15, str(value))


def _properties(metric: Metric) -> bytes:
    """The property set: keys, and beside each its type and value."""
    keys, values = b"", b""
    if metric.quality is not None:
        keys += _text(1, "Quality")
        values += _nested(2, _number(1, DataType.INT32) + _number(3, metric.quality))
    if metric.unit is not None:
        keys += _text(1, "engUnit")
        values += _nested(2, _number(1, DataType.STRING) + _text(8, metric.unit))
    return _nested(9, keys + values) if keys else b""


def _key(field: int, kind: int) -> bytes:
    return _varint(field << 3 | kind)


def _number(field: int, value: int) -> bytes:
    return _key(field, _VARINT) + _varint(value)


def _text(field: int, text: str) -> bytes:
    return _nested(field, text.encode())


def _nested(field: int, body: bytes) -> bytes:
    return _key(field, _BYTES) + _varint(len(body)) + body


def _varint(value: int) -> bytes:
    made = bytearray()
    while value > 0x7F:
        made.append(value & 0x7F | 0x80)
        value >>= 7
    made.append(value)
    return bytes(made)


# ------------------------------------------------------------------ reading


def asks_rebirth(body: bytes) -> bool:
    """Whether a command asks the node to be born again.

    Raises:
        ValueError: no payload.
    """
    return any(
        found.get(1) == b"Node Control/Rebirth" and found.get(14) == 1
        for number, metric in list(_fields(body))  # all of it must be sound
        if number == 2 and isinstance(metric, bytes)
        for found in [dict(_fields(metric))]
    )


def _fields(body: bytes) -> Iterator[tuple[int, int | bytes]]:
    at = 0
    while at < len(body):
        key, at = _read_varint(body, at)
        kind = key & 7
        if kind == _VARINT:
            value, at = _read_varint(body, at)
            yield key >> 3, value
            continue
        if kind == _BYTES:
            length, at = _read_varint(body, at)
        elif kind in (_EIGHT, _FOUR):
            length = 8 if kind == _EIGHT else 4
        else:
            raise ValueError(f"a field of wire type {kind}")
        if at + length > len(body):
            raise ValueError("ends in the middle of a field")
        yield key >> 3, body[at : at + length]
        at += length


def _read_varint(body: bytes, at: int) -> tuple[int, int]:
    value = 0
    for shift in range(_LONGEST):
        if at >= len(body):
            raise ValueError("ends in the middle of a number")
        byte = body[at]
        at += 1
        value |= (byte & 0x7F) << 7 * shift
        if not byte & 0x80:
            return value, at
    raise ValueError("a number without end")
