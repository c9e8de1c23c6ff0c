"""Real parts that the benchmarks start: the foreign Modbus device of tests/faults, compiled here."""

import contextlib
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

from brakewater.rig import Rig, parse
from brakewater.rig.load import demo_file

_SOURCE = Path(__file__).parents[1] / "faults" / "register_server.c"


@contextlib.contextmanager
def built() -> Iterator[Path]:
    """The program of the libmodbus device."""
    with tempfile.TemporaryDirectory() as name:
        binary = Path(name) / "register_server"
        flags = subprocess.run(
            ["pkg-config", "--cflags", "--libs", "libmodbus"], capture_output=True, text=True, check=True
        )
        compiler = shutil.which("gcc") or "gcc"
        subprocess.run([compiler, "-O2", "-o", str(binary), str(_SOURCE), *flags.stdout.split()], check=True)
        yield binary


@contextlib.contextmanager
def served(binary: Path) -> Iterator[int]:
    """The port of one such device, a process of its own."""
    with subprocess.Popen([str(binary), "0", "0", "1"], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        try:
            yield int(child.stdout.readline())
        finally:
            child.kill()


@contextlib.contextmanager
def device() -> Iterator[int]:
    """The port of a libmodbus device."""
    with built() as binary, served(binary) as port:
        yield port


def demo_rig(port: int, *, broker: bool = False) -> Rig:
    """The demo rig with its PLC at a port of this machine, and without a broker unless asked for."""
    text = demo_file().read_text(encoding="utf-8").replace("port = 1502", f"port = {port}")
    if not broker:
        before, _, after = text.partition("[mqtt]")
        text = before + after[after.index("[people]") :]
    return parse(text, "bench.toml")
