"""PLCs that we did not write: mbpoll as one that polls, libmodbus and pyModbusTCP as ones with a lamp mailbox."""

import asyncio
import re
import shutil
import subprocess
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

from brakewater.field.newest import Newest
from brakewater.field.outstation import Outstation
from brakewater.register_image import Links
from brakewater.rig import Rig
from field_rigs import HOST, free_port
from rig_parts import Door, demo_rig

_VALUE = re.compile(r"^\[(\d+)\]:\s+(\S+)", re.MULTILINE)


def outstation_rig(port: int, more: str = "") -> Rig:
    """The demo rig with an outstation."""
    return demo_rig(more=f'\n[registers]\nhost = "{HOST}"\nport = {port}\n{more}')


@asynccontextmanager
async def outstation(
    more: str = "", *, idle_s: float = 60.0, again_s: float = 0.05
) -> AsyncIterator[tuple[Outstation, int, Door]]:
    """An outstation at work, its port, and the door its coils knock at."""
    port, door = free_port(), Door()
    rig = outstation_rig(port, more)
    station = Outstation(rig, Newest(rig, Links), door, idle_s=idle_s, again_s=again_s)
    await station.open()
    try:
        yield station, port, door
    finally:
        await station.close()


def mbpoll(port: int, *words: str, write: str = "") -> list[str]:
    """Values that mbpoll reads with these options, or its complaint; ``-0``: addresses count from 0."""
    assert shutil.which("mbpoll"), "mbpoll is not installed; `bash tests/run.sh` installs it"
    command = ["mbpoll", "-m", "tcp", "-p", str(port), "-0", "-1", "-o", "1", *words, HOST, *([write] if write else [])]
    ran = subprocess.run(command, capture_output=True, text=True, check=False, timeout=20)
    if ran.returncode:
        return [f"error: {ran.stderr.strip()}"]
    return [value for _, value in _VALUE.findall(ran.stdout)]


async def polled(port: int, *words: str, write: str = "") -> list[str]:
    """The same beside a running loop."""
    return await asyncio.to_thread(mbpoll, port, *words, write=write)


def mailbox_program(folder: Path) -> Path:
    """Compile the libmodbus PLC."""
    made, source = folder / "mailbox_server", Path(__file__).parent / "faults" / "mailbox_server.c"
    asked = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"], capture_output=True, text=True, check=True
    )
    subprocess.run(["gcc", "-O1", "-Wall", "-o", str(made), str(source), *asked.stdout.split()], check=True)
    return made


class Plc:
    """The libmodbus PLC at work: every write that ever reached it stands in its log."""

    def __init__(self, program: Path, log: Path, address: int, signature: int) -> None:
        self._words, self._log = [str(program), "0", str(address), str(signature)], log
        self._process: subprocess.Popen[bytes] | None = None
        self.port = 0

    def start(self) -> None:
        """On any port the first time, then again on the same."""
        self._words[1] = str(self.port)
        lines = len(self.log())
        with self._log.open("ab") as out:
            self._process = subprocess.Popen(self._words, stdout=out)
        while len(self.log()) == lines:
            assert self._process.poll() is None
        self.port = int(self.log()[lines])

    def log(self) -> list[str]:
        return self._log.read_text().splitlines() if self._log.exists() else []

    def writes(self) -> list[list[int]]:
        """Function, address, count and words of every write."""
        return [[int(word) for word in line.split()] for line in self.log() if " " in line]

    def kill(self) -> None:
        assert self._process is not None
        self._process.kill()
        self._process.wait()


@contextmanager
def plc(program: Path, log: Path, *, address: int, signature: int) -> Iterator[Plc]:
    made = Plc(program, log, address, signature)
    made.start()
    try:
        yield made
    finally:
        made.kill()
