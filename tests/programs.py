"""A program of somebody else's that a test starts, kills, freezes and starts again."""

import signal
import subprocess
from collections.abc import Sequence
from pathlib import Path


class Program:
    """At work from ``_run`` until it is killed."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def _run(self, command: Sequence[str], log: Path | None = None) -> None:
        if log is None:
            self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
            return
        with log.open("ab") as file:
            self._process = subprocess.Popen(command, stdout=file, stderr=file)

    def kill(self) -> None:
        """As a power supply does; nothing where it is not at work."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def freeze(self) -> None:
        """It holds its connections and says nothing more."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """It goes on, and answers all at once."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)
