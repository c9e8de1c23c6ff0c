"""Serial lines made by socat (Debian package): a pair of pseudo-terminals, and a serial server in front of one.

A pseudo-terminal has no baud rate and no parity: what is written arrives at once, and asking for parity is refused.
"""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from itertools import count
from pathlib import Path

_PATIENCE_S = 20.0
_FIRST_PORT, _PORTS_IN_ALL, _STRIDE = 20_000, 12_000, 97
_PORTS = (_FIRST_PORT + (os.getpid() * _STRIDE + step) % _PORTS_IN_ALL for step in count())


def _socat(*ends: str) -> subprocess.Popen[bytes]:
    program = shutil.which("socat")
    assert program is not None, "socat is not installed; `bash tests/run.sh` installs it"
    # -t 0: whoever has hung up takes no more bytes away from the next one.
    return subprocess.Popen([program, "-t", "0", *ends], stderr=subprocess.DEVNULL)


def _wait_for(paths: Sequence[Path]) -> None:
    deadline = time.monotonic() + _PATIENCE_S
    while not all(path.exists() for path in paths):
        assert time.monotonic() < deadline, f"socat made no {paths}"
        time.sleep(0.002)


class SerialLine:
    """Two ports joined back to back, ``here`` and ``there``; unplugged, both are gone."""

    def __init__(self, folder: Path) -> None:
        self.here, self.there = folder / "here", folder / "there"
        self._process: subprocess.Popen[bytes] | None = None

    def plug(self) -> None:
        ends = [f"pty,raw,echo=0,link={path}" for path in (self.here, self.there)]
        self._process = _socat(*ends)
        _wait_for((self.here, self.there))

    def unplug(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGTERM)
            try:
                self._process.wait(1.0)
            except subprocess.TimeoutExpired:  # once in an hour socat keeps waiting on a port that nobody empties
                self._process.kill()
                self._process.wait()
            self._process = None
            for path in (self.here, self.there):
                path.unlink(missing_ok=True)


@contextmanager
def serial_line(folder: Path) -> Iterator[SerialLine]:
    """A plugged line."""
    line = SerialLine(folder)
    line.plug()
    try:
        yield line
    finally:
        line.unplug()


@contextmanager
def forwarded(listen: str, *then: str) -> Iterator[int]:
    """Whatever comes at a free loopback port goes on to another end; gives the port.

    Args:
        listen: socat's kind of listening address with its options, a ``{port}`` where the port goes.
        then: the other end.
    """
    port = free_port()
    process = _socat(listen.format(port=port), *then)
    try:
        _wait_until_taken(port)
        yield port
    finally:
        process.terminate()
        process.wait()


def serial_server(port_file: Path) -> AbstractContextManager[int]:
    """A serial server: TCP on this side, a serial port on the other, bytes as they are."""
    return forwarded("TCP-LISTEN:{port},bind=127.0.0.1,reuseaddr,fork", f"FILE:{port_file},raw,echo=0")


def free_port() -> int:
    """A port that nobody has and that no outgoing connection is given (Linux gives those from 32768 on).

    Processes at work side by side begin at places of their own and go on from there.
    """
    for port in _PORTS:
        with socket.socket() as one, suppress(OSError):
            one.bind(("127.0.0.1", port))
            return port
    raise AssertionError("unreachable: the ports come round again")


def _wait_until_taken(port: int) -> None:
    """Until somebody listens; looked up in the kernel's table, since knocking would count as a connection."""
    wanted = f":{port:04X} 00000000:0000 0A"
    deadline = time.monotonic() + _PATIENCE_S
    while wanted not in Path("/proc/net/tcp").read_text(encoding="ascii"):
        assert time.monotonic() < deadline, f"socat does not listen at {port}"
        time.sleep(0.002)
