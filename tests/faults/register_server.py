"""The foreign device in register_server.c: built once, started where it is needed."""

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_SOURCE = Path(__file__).with_name("register_server.c")


def build(folder: Path) -> Path:
    """The program, made in a folder."""
    missing = [name for name in ("gcc", "pkg-config") if shutil.which(name) is None]
    assert not missing, f"not installed: {missing}; `bash tests/run.sh` installs gcc, pkg-config and libmodbus-dev"
    asked = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"], capture_output=True, text=True, check=False
    )
    assert asked.returncode == 0, "libmodbus-dev is not installed; `bash tests/run.sh` installs it"
    made = folder / "register_server"
    command = ["gcc", "-O1", "-Wall", "-Wextra", "-Werror", "-o", str(made), str(_SOURCE), *asked.stdout.split()]
    subprocess.run(command, check=True)
    return made


@contextmanager
def device(program: Path, delay_ms: int = 0, every: int = 1) -> Iterator[int]:
    """Modbus TCP at the port given."""
    with _started(program, "0", delay_ms, every) as said:
        yield int(said)


@contextmanager
def slave(program: Path, port: Path, unit: int, *, delay_ms: int = 0, every: int = 1) -> Iterator[None]:
    """RTU on a serial port."""
    with _started(program, port, delay_ms, every, unit, 115200) as said:
        assert said == "ready\n"
        yield


@contextmanager
def _started(program: Path, *arguments: object) -> Iterator[str]:
    command = [str(program), *map(str, arguments)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline()
        finally:
            process.kill()
