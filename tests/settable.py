"""A foreign device (pyModbusTCP) whose registers a test sets, unit by unit; and programs on a pseudo-terminal."""

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pyModbusTCP.constants import EXP_DATA_ADDRESS, EXP_NONE
from pyModbusTCP.server import DataHandler, ModbusServer

from brokers import HOST, free_port

_KINDS = ("coil", "discrete", "input", "holding")


class _Registers(DataHandler):
    """Gives what a test has set; anything else does not exist. Whoever writes is found out."""

    def __init__(self) -> None:
        super().__init__()
        self.held: dict[tuple[int, str, int], int] = {}
        self.clients: set[tuple[str, int]] = set()
        self.writes = 0
        self.reads: list[tuple[int, str, int, int]] = []

    def _get(self, table: str, address: int, count: int, info: Any) -> Any:
        unit = info.recv_frame.mbap.unit_id
        self.clients.add((info.client.address, info.client.port))
        self.reads.append((unit, table, address, count))
        found = [self.held.get((unit, table, at)) for at in range(address, address + count)]
        if None in found:
            return DataHandler.Return(exp_code=EXP_DATA_ADDRESS)
        return DataHandler.Return(exp_code=EXP_NONE, data=found)

    def read_coils(self, address: int, count: int, srv_info: Any) -> Any:
        return self._get("coil", address, count, srv_info)

    def read_d_inputs(self, address: int, count: int, srv_info: Any) -> Any:
        return self._get("discrete", address, count, srv_info)

    def read_h_regs(self, address: int, count: int, srv_info: Any) -> Any:
        return self._get("holding", address, count, srv_info)

    def read_i_regs(self, address: int, count: int, srv_info: Any) -> Any:
        return self._get("input", address, count, srv_info)

    def write_coils(self, address: int, bits_l: Any, srv_info: Any) -> Any:
        self.writes += 1
        return super().write_coils(address, bits_l, srv_info)

    def write_h_regs(self, address: int, words_l: Any, srv_info: Any) -> Any:
        self.writes += 1
        return super().write_h_regs(address, words_l, srv_info)


class Settable:
    """The device; listens from its making on."""

    def __init__(self) -> None:
        self._registers = _Registers()
        self.port = free_port()
        self._server = ModbusServer(host=HOST, port=self.port, no_block=True, data_hdl=self._registers)
        self._server.start()

    def put(self, address: int, *words: int, table: str = "holding", unit: int = 1) -> None:
        assert table in _KINDS
        self._registers.held.update({(unit, table, at): word for at, word in enumerate(words, address)})

    def forget(self) -> None:
        """As new, for the next test."""
        for held in (self._registers.held, self._registers.clients, self._registers.reads):
            held.clear()

    @property
    def writes(self) -> int:
        return self._registers.writes

    @property
    def clients(self) -> set[tuple[str, int]]:
        """Everyone who has read."""
        return self._registers.clients

    @property
    def reads(self) -> list[tuple[int, str, int, int]]:
        """Unit, table, address and count of every read."""
        return self._registers.reads

    def close(self) -> None:
        self._server.stop()


@contextmanager
def settable() -> Iterator[Settable]:
    device = Settable()
    try:
        yield device
    finally:
        device.close()
    assert device.writes == 0


class Terminal:
    """One of our commands at a terminal."""

    def __init__(self, master: int, process: subprocess.Popen[bytes]) -> None:
        self._master, self.process = master, process
        self.said = ""
        self._seen = 0

    def expect(self, pattern: str, within_s: float = 90.0) -> str:
        """Wait for what it has not said before; gives the match."""
        deadline = time.monotonic() + within_s
        while not (found := re.compile(pattern).search(self.said, self._seen)):
            left = deadline - time.monotonic()
            assert left > 0, f"did not say {pattern!r}: {self.said[-2000:]!r}"
            if not self._read(left):
                raise AssertionError(f"ended before {pattern!r}: {self.said[-2000:]!r}")
        self._seen = found.end()
        return found.group()

    def _read(self, within_s: float) -> bool:
        if select.select([self._master], [], [], within_s)[0]:
            try:
                self.said += os.read(self._master, 65536).decode(errors="replace")
            except OSError:  # the other side is gone
                return False
        return True

    def type(self, line: str) -> None:
        os.write(self._master, f"{line}\n".encode())

    def interrupt(self) -> None:
        """Ctrl-C at a prompt. One that comes between the prompt and its reading would only count with the next key."""
        asleep = 0
        while asleep < 5:
            state = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0]
            asleep = asleep + 1 if state == "S" else 0
            time.sleep(0.02)
        self.process.send_signal(signal.SIGINT)

    def end(self, within_s: float = 20.0) -> int:
        """Its exit status; all it says is read, or it might never come to its end."""
        deadline = time.monotonic() + within_s
        while self.process.poll() is None:
            assert time.monotonic() < deadline, self.said[-2000:]
            self._read(0.1)
        while select.select([self._master], [], [], 0)[0] and self._read(0):
            pass
        return int(self.process.returncode)


@contextmanager
def terminal(*words: str | Path) -> Iterator[Terminal]:
    """``brakewater WORDS`` at a terminal of 50 rows and 220 columns."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 50, 220, 0, 0))
    # Ctrl-C ends it also where the tests themselves run in the background of a shell, which has them ignore it.
    command = ["env", "--default-signal=INT", sys.executable, "-m", "brakewater", *map(str, words)]
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "220"}
    process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, env=environment)
    os.close(slave)
    try:
        yield Terminal(master, process)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        os.close(master)
