import struct

import numpy as np
import pytest

from brakewater.signals.words import RegisterKind, decode

ORDERS = {"ABCD": (True, True), "CDAB": (False, True), "BADC": (True, False), "DCBA": (False, False)}

# Source: constants of libmodbus' unit-test.h (public repository), 123456.0 in the four orders.
LIBMODBUS = {"ABCD": (0x47F1, 0x2000), "CDAB": (0x2000, 0x47F1), "BADC": (0xF147, 0x0020), "DCBA": (0x0020, 0xF147)}

# Source: computed with the struct module and, for ABCD and CDAB of 123.456, agreeing with pymodbus 3.16.1.
WIRE = {
    123.456: ("42F6E979", "E97942F6", "F64279E9", "79E9F642"),
    160.0: ("43200000", "00004320", "20430000", "00002043"),
    75.0: ("42960000", "00004296", "96420000", "00009642"),
    -1.5: ("BFC00000", "0000BFC0", "C0BF0000", "0000C0BF"),
}


def _float32(registers: tuple[int, ...], order: str) -> float:
    words_high_first, bytes_high_first = ORDERS[order]
    words = np.array([registers], dtype=np.uint16)
    return float(
        decode(words, RegisterKind.FLOAT32, words_high_first=words_high_first, bytes_high_first=bytes_high_first)[0]
    )


@pytest.mark.parametrize("order", ORDERS)
def test_word_orders_of_libmodbus(order: str) -> None:
    assert _float32(LIBMODBUS[order], order) == 123456.0


@pytest.mark.parametrize("value", WIRE)
@pytest.mark.parametrize("order", ORDERS)
def test_word_orders_on_the_wire(value: float, order: str) -> None:
    wire = bytes.fromhex(WIRE[value][list(ORDERS).index(order)])
    assert _float32(struct.unpack(">2H", wire), order) == pytest.approx(value, rel=1e-7)


# Source: computed with the struct module; what 123.456 sent ABCD turns into under a wrong setting.
@pytest.mark.parametrize(("order", "wrong"), [("CDAB", -1.88337e25), ("BADC", -9.86112e32), ("DCBA", 1.51850e35)])
def test_wrong_order_reads_as_garbage(order: str, wrong: float) -> None:
    assert _float32((0x42F6, 0xE979), order) == pytest.approx(wrong, rel=1e-5)
