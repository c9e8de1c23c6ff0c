"""Real parts that the benchmarks start: the foreign Modbus device of tests/faults, compiled here."""

import contextlib
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from brakewater.rig import Rig, load, parse
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
def served(binary: Path, moves: str | None = None) -> Iterator[int]:
    """The port of one such device, a process of its own; ``moves``: registers that move, as the device takes them."""
    words = [str(binary), "0", "0", "1", *([] if moves is None else [moves])]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        try:
            yield int(child.stdout.readline())
        finally:
            child.kill()


BUSY: Final = {
    "hook-load": (0x4396, 0), "pump-running": (3, 0), "tank-temperature": (11_300, 0),
    "ambient-temperature": (8_000, 0), "aux-flow": (15_600, 70), "aux-level": (8_300, 100),
    "aux-inlet": (11_300, 3), "aux-outlet": (12_000, 5),
}  # fmt: skip
"""Point of the demo rig -> first register and its swing: a brake in service, its signals good and noisy; 300 klbf."""


@contextlib.contextmanager
def device() -> Iterator[int]:
    """The port of a libmodbus device that shows the demo rig's water at work: invented for the benchmarks."""
    point = {slot.point.name: slot.point for slot in load(demo_file()).slots}
    moves = " ".join(f"{point[name].address}:{value}:{swing}" for name, (value, swing) in BUSY.items())
    with built() as binary, served(binary, moves) as port:
        yield port


def demo_rig(port: int, *, broker: bool = False, scan_ms: int = 200) -> Rig:
    """The demo rig with its PLC at a port of this machine, and without a broker unless asked for."""
    text = demo_file().read_text(encoding="utf-8").replace("port = 1502", f"port = {port}")
    text = text.replace('scan = "200 ms"', f'scan = "{scan_ms} ms"')
    text = text.replace('timeout = "150 ms"', f'timeout = "{scan_ms * 3 // 4} ms"')
    if not broker:
        before, _, after = text.partition("[mqtt]")
        text = before + after[after.index("[people]") :]
    return parse(text, "bench.toml")
