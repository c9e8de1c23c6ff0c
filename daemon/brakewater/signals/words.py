"""Register words to numbers, in all four word and byte orders.

Modbus fixes the order of the two bytes in a register (high first) but not the order of the registers of a longer
number, and some devices swap the bytes as well. With A the highest byte of a 32-bit number, the wire carries::

    ABCD  words high first, bytes high first      BADC  words high first, bytes low first
    CDAB  words low first,  bytes high first      DCBA  words low first,  bytes low first
"""

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from brakewater.stream import Floats, Words

BITS_OF_A_REGISTER = 16
_BITS = np.uint8(BITS_OF_A_REGISTER)


class RegisterKind(StrEnum):
    """Data type of the registers of one point."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"
    FLOAT64 = "float64"
    BIT = "bit"


# What a number is made of and what it is then taken for; put together by arithmetic, so the host's own order never
# matters.
_TYPES = {
    RegisterKind.INT16: (np.uint16, np.int16),
    RegisterKind.UINT16: (np.uint16, np.uint16),
    RegisterKind.INT32: (np.uint32, np.int32),
    RegisterKind.UINT32: (np.uint32, np.uint32),
    RegisterKind.FLOAT32: (np.uint32, np.float32),
    RegisterKind.FLOAT64: (np.uint64, np.float64),
}
_ONE_REGISTER = {RegisterKind.INT16: np.int16, RegisterKind.UINT16: np.uint16, RegisterKind.BIT: np.uint16}
"""Kinds that need no putting in order but of their two bytes."""


def register_count(kind: RegisterKind) -> int:
    """How many registers a number of this kind takes: 1, 2 or 4."""
    return 1 if kind is RegisterKind.BIT else np.dtype(_TYPES[kind][0]).itemsize // 2


def decode(
    words: Words,
    kind: RegisterKind,
    *,
    words_high_first: bool = True,
    bytes_high_first: bool = True,
    bit: int | None = None,
) -> Floats:
    """Numbers held by registers; NaN and infinities of the float kinds are kept.

    Args:
        words: [n, k] registers as received, k = ``register_count(kind)``.
        kind: data type.
        words_high_first: False where the register with the lowest bits comes first.
        bytes_high_first: False where the device swaps the two bytes of each register.
        bit: for ``bit`` only: which bit, 0 the lowest; None for a coil or discrete input, where any bit set is 1.

    Returns:
        [n] numbers; exact, since every kind fits a float64.

    Raises:
        ValueError: the number of columns does not fit the kind.
    """
    if words.ndim != 2 or words.shape[1] != register_count(kind):
        raise ValueError(
            f"words: found shape {words.shape}; allowed: [n, {register_count(kind)}] for {kind.value}; "
            "cut the columns of this point out of the scan first"
        )
    if kind in _ONE_REGISTER:
        register = _in_order(words[:, 0], bytes_high_first)
        if kind is RegisterKind.BIT:
            return _bit(register, bit)
        return register.view(_ONE_REGISTER[kind]).astype(np.float64)
    made_of, taken_for = _TYPES[kind]
    first, *others = range(words.shape[1]) if words_high_first else reversed(range(words.shape[1]))
    whole = _in_order(words[:, first], bytes_high_first).astype(made_of)
    for at in others:
        whole <<= _BITS
        whole |= _in_order(words[:, at], bytes_high_first)
    with np.errstate(invalid="ignore"):  # widening a signalling NaN raises the flag; it stays NaN, which is the point
        numbers: Floats = whole.view(taken_for).astype(np.float64)
    return numbers


def _in_order(register: NDArray[np.uint16], bytes_high_first: bool) -> NDArray[np.uint16]:  # noqa: FBT001 - private
    return register if bytes_high_first else register.byteswap()


def _bit(register: NDArray[np.uint16], bit: int | None) -> Floats:
    chosen = register if bit is None else register & np.uint16(1 << bit)
    return np.not_equal(chosen, 0).astype(np.float64)
