"""Layers below a program, compiled from C and loaded before it: a clock that is off, a slow disk, no name server."""

import mmap
import shutil
import struct
import subprocess
from pathlib import Path

HERE = Path(__file__).parent


def compiled(name: str, folder: Path) -> Path:
    """The shared library of ``name``.c."""
    made = folder / f"{name}.so"
    gcc = shutil.which("gcc")
    assert gcc is not None, "gcc is not installed; `bash tests/run.sh` installs it"
    subprocess.run([gcc, "-shared", "-fPIC", "-O2", "-Wall", "-o", made, HERE / f"{name}.c", "-ldl"], check=True)
    return made


class ShiftedClock:
    """The wall clock of the programs that are started with ``environment``."""

    def __init__(self, folder: Path) -> None:
        self._file = folder / "shift"
        self._file.write_bytes(bytes(8))
        library = compiled("shifted_clock", folder)
        self.environment = {"LD_PRELOAD": str(library), "SHIFT_FILE": str(self._file)}

    def step_to(self, ns: int) -> None:
        """From now on it is off by so much."""
        with self._file.open("r+b") as file, mmap.mmap(file.fileno(), 8) as view:
            view[:] = struct.pack("=q", ns)


def slow_sync(folder: Path, ms: int) -> dict[str, str]:
    """Environment of a program whose disk takes so much longer for every sync."""
    return {"LD_PRELOAD": str(compiled("slow_sync", folder)), "SLOW_SYNC_MS": str(ms)}


def slow_names(folder: Path, ms: int) -> dict[str, str]:
    """Environment of a program that asks so long for each name that ends in ``.rig``, and in vain."""
    return {"LD_PRELOAD": str(compiled("slow_names", folder)), "SLOW_NAMES_MS": str(ms)}
