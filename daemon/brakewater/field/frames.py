"""A question to a device, and the answer that is due.

Reads and refusals as in "MODBUS Application Protocol Specification V1.1b3" (reads 01 to 04: function 1, byte count 1,
data; a refusal: function | 0x80, exception code 1). All but the data of an answer follows from the request, so the
beginning of the answer is known before it comes and is compared byte for byte, before anything is decoded: by
frames_tcp.py on Modbus TCP and TLS, by frames_rtu.py on RTU.
"""

from dataclasses import dataclass

from brakewater.rig.tables import Table

__all__ = ["MOST", "Answer", "Due", "Read", "Table", "data_size"]

_BIT_FUNCTIONS = (1, 2)
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

    request: bytes
    """The request as sent."""
    data: bytes
    """Beginning of an answer that carries data: all before the data."""
    refusal: bytes
    """Beginning of an exception answer: all before the code."""
    size: int
    """Bytes of the whole answer that carries data."""


def data_size(function: int, count: int) -> int:
    """Bytes of data in the answer to a read of so many bits (functions 1, 2) or registers (3, 4)."""
    return (count + 7) // 8 if function in _BIT_FUNCTIONS else 2 * count


def _within(name: str, value: int, least: int, most: int) -> None:
    if not least <= value <= most:
        raise ValueError(f"{name} is {value}; allowed are {least} to {most}")
