"""The device of register_server.c once more, on another Python library's server (pyModbusTCP)."""

import itertools
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from pyModbusTCP.server import DataBank, ModbusServer

from brokers import HOST, free_port
from faults.fault_server import bit, word

_ADDRESSES = 10_000


class _Bank(DataBank):  # type: ignore[misc]
    """Computes each answer when it is asked for."""

    def __init__(self, delay_ms: int, every: int) -> None:
        super().__init__()
        self._delay_ms, self._every = delay_ms, every
        self._numbers, self._lock = itertools.count(1), threading.Lock()

    def _words(self, address: int, count: int) -> list[int] | None:
        with self._lock:
            number = next(self._numbers)
        if self._delay_ms and number % self._every == 0:
            time.sleep(self._delay_ms / 1000)
        return [word(at, number) for at in range(address, address + count)] if address + count <= _ADDRESSES else None

    def get_holding_registers(self, address: int, number: int = 1, _info: Any = None) -> list[int] | None:
        return self._words(address, number)

    def get_input_registers(self, address: int, number: int = 1, _info: Any = None) -> list[int] | None:
        return self._words(address, number)

    def get_coils(self, address: int, number: int = 1, _info: Any = None) -> list[bool]:
        return [bool(bit(at)) for at in range(address, address + number)]

    def get_discrete_inputs(self, address: int, number: int = 1, _info: Any = None) -> list[bool]:
        return self.get_coils(address, number)


@contextmanager
def device(delay_ms: int = 0, every: int = 1) -> Iterator[int]:
    """Modbus TCP at the port given."""
    port = free_port()
    server = ModbusServer(host=HOST, port=port, no_block=True, data_bank=_Bank(delay_ms, every))
    server.start()
    try:
        yield port
    finally:
        server.stop()
