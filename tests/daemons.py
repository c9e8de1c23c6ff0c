"""Brakewater's own programs as child processes, and a small foreign device that a test may set."""

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

from pyModbusTCP.server import DataBank, ModbusServer

from brakewater.cli import main
from brakewater.control import ask
from brakewater.errors import DeviceError
from brakewater.record.reader import Record
from brakewater.stream import Block, Event, Input, Start
from brokers import HOST, until

TESTS = Path(__file__).parent
DEMO = TESTS.parent / "config" / "demo.toml"

SMALL = """schema = 1

[rig]
name = "rig-9"
pad = "quillwort-1"
scan = "{scan}"

[[device]]
name = "plc1"
host = "127.0.0.1"
port = {device}
timeout = "{timeout}"

[[brake]]
name = "aux"
least-flow = "75 gal/min"
bearing-level = "600 mm"

[[brake.alarm]]
alarm = "cooling-flow-low"
on-delay = "0 s"
off-delay = "0 s"

[[brake.point]]
name = "aux-flow"
role = "inlet-flow"
device = "plc1"
table = "holding"
address = 0
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 gal/min", "100 gal/min"] }}

[[brake.point]]
name = "aux-inlet"
role = "inlet-temperature"
device = "plc1"
table = "holding"
address = 1
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 degC", "100 degC"] }}

[[brake.point]]
name = "aux-outlet"
role = "outlet-temperature"
device = "plc1"
table = "holding"
address = 2
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 degC", "100 degC"] }}

[[brake.point]]
name = "aux-level"
role = "brake-level"
device = "plc1"
table = "holding"
address = 3
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 mm", "1000 mm"] }}
{mqtt}"""
"""One brake on one device; a flow alarm without delays."""


def small_rig(file: Path, *, device: int, broker: int | None = None, scan_ms: int = 100) -> Path:
    """Write a rig file of one brake on the device at a port."""
    mqtt = "" if broker is None else f'\n[mqtt]\nhost = "{HOST}"\nport = {broker}\n'
    file.write_text(SMALL.format(device=device, mqtt=mqtt, scan=f"{scan_ms} ms", timeout=f"{scan_ms * 3 // 4} ms"))
    return file


def demo_rig_file(file: Path, *, device: int, broker: int, panel: int | None = None) -> Path:
    """Write the demo rig file with other ports; without a panel unless it gets a port."""
    text = DEMO.read_text()
    assert "port = 1502" in text
    assert "port = 1883" in text
    assert "[panel]\nport = 8420\n" in text
    pages = "" if panel is None else f"[panel]\nport = {panel}\n"
    text = text.replace("[panel]\nport = 8420\n", pages)
    file.write_text(text.replace("port = 1502", f"port = {device}").replace("port = 1883", f"port = {broker}"))
    return file


class SmallDevice:
    """pyModbusTCP's server with the registers of ``SMALL``; all is well until a test sets another flow."""

    def __init__(self, port: int) -> None:
        self.port = port
        self._bank = DataBank()
        self._bank.set_holding_registers(0, [900, 250, 400, 300])
        self._server = ModbusServer(host=HOST, port=port, no_block=True, data_bank=self._bank)

    def flow(self, gal_min: float) -> None:
        self._bank.set_holding_registers(0, [round(gal_min * 10)])

    def inlet(self, degc: float) -> None:
        self._bank.set_holding_registers(1, [round(degc * 10)])

    def outlet(self, degc: float) -> None:
        self._bank.set_holding_registers(2, [round(degc * 10)])

    def coil(self, *, on: bool) -> None:
        self._bank.set_coils(0, [on])

    def start(self) -> None:
        self._server.start()

    def stop(self) -> None:
        self._server.stop()


@contextmanager
def serving(device: SmallDevice) -> Iterator[SmallDevice]:
    device.start()
    try:
        yield device
    finally:
        device.stop()


@contextmanager
def simulator(rig: Path, scenario: str, *options: str) -> Iterator[subprocess.Popen[str]]:
    """``brakewater-sim serve``, listening."""
    words = [sys.executable, "-m", "brakewater_sim", "serve", scenario, "--rig", str(rig), *options]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as child:
        try:
            assert child.stderr is not None
            assert child.stderr.readline().startswith("serving")
            yield child
        finally:
            child.terminate()


def libmodbus_device(folder: Path) -> Path:
    """Compile the device that we did not write; gives the program."""
    missing = [name for name in ("gcc", "pkg-config") if shutil.which(name) is None]
    assert not missing, f"not installed: {missing}; `bash tests/run.sh` installs gcc, pkg-config and libmodbus-dev"
    made, source = folder / "register_server", TESTS / "faults" / "register_server.c"
    flags = subprocess.run(
        ["pkg-config", "--cflags", "--libs", "libmodbus"], capture_output=True, text=True, check=True
    ).stdout.split()
    subprocess.run(["gcc", "-O2", "-Wall", "-o", str(made), str(source), *flags], check=True)
    return made


def brakewater(*words: str | Path, within_s: float = 60.0, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run one command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "brakewater", *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        timeout=within_s,
        env={**os.environ, **environment},
    )


def here(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """The same within this process, where a process of its own would show nothing more and only take its time."""
    out, errors = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(errors):
        try:
            status = main([*map(str, words)])
        except SystemExit as end:
            status = int(end.code or 0)
    return subprocess.CompletedProcess(words, status, out.getvalue(), errors.getvalue())


class Daemon:
    """``brakewater run`` in a process of its own; may be killed and started again on the same record."""

    def __init__(
        self,
        rig: Path,
        record: Path,
        log: Path,
        environment: Mapping[str, str] | None = None,
        more: Sequence[str] = (),
        under: Sequence[str] = (),
    ) -> None:
        self.record, self._rig, self._log, self._more, self._under = record, rig, log, more, under
        self._environment = {**os.environ, **(environment or {})}
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def process(self) -> subprocess.Popen[bytes]:
        assert self._process is not None
        return self._process

    @property
    def said(self) -> str:
        """All that it has logged, over all its lives."""
        return self._log.read_text()

    def start(self, *, ready: bool = True) -> None:
        """Start it; ``ready`` waits until a scan has gone through."""
        words = [sys.executable, "-m", "brakewater", "run", str(self._rig), "--record", str(self.record), *self._more]
        words = [*self._under, *words]
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(words, stdout=log, stderr=log, env=self._environment)
        if ready:
            until(self._watches, f"daemon is ready: {self.said}", within_s=30)

    def _watches(self) -> bool:
        assert self.process.poll() is None, f"the daemon has ended: {self.said}"
        try:
            found = self.status()
        except DeviceError:
            return False
        return found["scan_age_s"] is not None

    def status(self) -> dict[str, Any]:
        return ask(self.record, {"ask": "status"})

    def do(self, verb: str, alarm: str) -> dict[str, Any]:
        return ask(self.record, {"do": verb, "alarm": alarm})

    def states(self) -> dict[str, str]:
        """Alarms that are not normal."""
        return {f"{one['brake'] or 'rig'}.{one['alarm']}": one["state"] for one in self.status()["alarms"]}

    def kill(self) -> None:
        """As a power supply does."""
        self.process.kill()
        self.process.wait()

    def leave(self) -> None:
        """Kill what is left of it, also where it never became ready."""
        if self._process is not None and self._process.poll() is None:
            self.kill()

    def end(self, number: int = signal.SIGTERM, *, within_s: float = 10.0) -> int:
        """As a service is stopped; gives the exit status."""
        self.process.send_signal(number)
        return self.process.wait(within_s)


@contextmanager
def daemon(
    rig: Path,
    record: Path,
    *,
    ready: bool = True,
    environment: Mapping[str, str] | None = None,
    more: Sequence[str] = (),
    under: Sequence[str] = (),
) -> Iterator[Daemon]:
    """A running daemon, begun by the program ``under`` where one is given; whatever a test leaves of it is killed."""
    one = Daemon(rig, record, rig.with_suffix(".log"), environment, more, under)
    try:
        one.start(ready=ready)
        yield one
    finally:
        one.leave()


def flat(items: Sequence[Input]) -> list[tuple[Any, ...]]:
    """Inputs one by one, whatever blocks they were read in, as something that compares by content."""
    rows: list[tuple[Any, ...]] = []
    for item in items:
        if isinstance(item, Block):
            for at in range(len(item)):
                one = item.cut(at, at + 1)
                rows.append((
                    one.run, int(one.input[0]), int(one.t_ns[0]), int(one.utc_ns[0]),
                    one.words.tobytes(), one.status.tobytes(), one.age_ns.tobytes(),
                ))  # fmt: skip
        else:
            rows.append((item.run, item.input, item))
    return rows


def inputs(record: Path) -> list[tuple[Any, ...]]:
    return flat(list(Record(record).inputs()))


def events(record: Path, run: int | None = None) -> list[Event]:
    """Every recorded event, or those of one run."""
    return [one.event for one in Record(record).events() if run in (None, one.event.run)]


def starts(record: Path) -> list[Start]:
    return [item for item in Record(record).inputs() if isinstance(item, Start)]
