"""Show the watch at work: simulator, broker, daemon and record on this machine, with a scripted incident."""

import argparse
import asyncio
import contextlib
import json
import logging
import math
import re
import select
import shlex
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any, Final, TextIO

if TYPE_CHECKING:
    from brakewater.rig import Rig
    from brakewater.stream import Picture

_EVERY_S: Final = 5.0
_READY_S: Final = 30.0
_END_S: Final = 5.0
"""How long a child may take to come up, and how long to end."""
_LEAD_S: Final = 2.0
"""How much later than the simulator the watch may begin."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("--scenario", default="demo", metavar="S", help="see `brakewater-sim list` (default: demo)")
    parser.add_argument("--seconds", type=_seconds, default=120.0, metavar="N", help="how long (default: 120)")
    parser.add_argument("--record", type=Path, metavar="DIR", help="folder for the record (default: a new one)")
    parser.add_argument(
        "--broker", type=_broker, metavar="HOST:PORT", help="use this MQTT broker instead of an embedded one"
    )
    parser.add_argument("--json", action="store_true", help="print the outcome as one JSON document")


def _seconds(text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0.0 < number < math.inf:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a number above 0")
    return number


def _broker(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not re.fullmatch(r"[A-Za-z0-9.:_-]+", host) or not port.isdecimal():
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: HOST:PORT")
    return host, int(port)


def run(args: argparse.Namespace) -> int:
    """Exit status 0 where exactly the scripted alarms came, else 1."""
    from brakewater.errors import StorageError  # noqa: PLC0415 - only when needed
    from brakewater.rig import parse  # noqa: PLC0415
    from brakewater.rig.load import demo_file  # noqa: PLC0415

    out = sys.stderr if args.json else sys.stdout
    scenarios = _scenarios()
    if args.scenario not in scenarios:
        print(f"--scenario: found {args.scenario!r}; allowed: {', '.join(scenarios)}", file=sys.stderr)
        return 2
    folder = args.record or Path(tempfile.mkdtemp(prefix="brakewater-demo-"))
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        raise StorageError(f"--record: {folder} is not empty; give a new folder, so that the demo begins from nothing")
    host, port = args.broker or ("127.0.0.1", _free_port())
    text = _with_ports(demo_file().read_text(encoding="utf-8"), _free_port(), host, port, _free_port())
    rig_file = folder / "demo.toml"
    rig_file.write_text(text, encoding="utf-8")
    rig = parse(text, str(rig_file))
    print(_opening(rig, folder, args.scenario, f"{host}:{port}"), file=out, flush=True)
    with contextlib.ExitStack() as stack:
        if not args.broker:
            _child(stack, ["-m", "brakewater.cli.embedded_broker", str(port)])
        _child(stack, ["-m", "brakewater_sim", "serve", args.scenario, "--rig", str(rig_file)])
        began = monotonic()
        raised = asyncio.run(_watch(rig, folder, args.seconds, out))
    lasted = min(args.seconds, monotonic() - began)  # shorter where someone stopped it
    return _close(args, folder, scenarios[args.scenario], lasted, raised, out)


def _scenarios() -> dict[str, dict[str, float]]:
    """Scenario -> alarm -> the time by which it is promised, s."""
    from brakewater.errors import DeviceError  # noqa: PLC0415

    listed = subprocess.run(
        [sys.executable, "-m", "brakewater_sim", "list", "--json"], capture_output=True, text=True, check=False
    )
    if listed.returncode:
        raise DeviceError(f"the simulator does not start: {listed.stderr.strip()}")
    return {one["name"]: {due["alarm"]: due["due_s"] for due in one["expected"]} for one in json.loads(listed.stdout)}


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _with_ports(text: str, device_port: int, broker_host: str, broker_port: int, panel_port: int) -> str:
    text = re.sub(r"(?m)^port = 8420$", f"port = {panel_port}", text)
    text = re.sub(r"(?m)^port = 1502$", f"port = {device_port}", text)
    return re.sub(r'(?m)^host = "127.0.0.1"\nport = 1883$', f'host = "{broker_host}"\nport = {broker_port}', text)


def _child(stack: contextlib.ExitStack, arguments_: list[str]) -> None:
    """Start one of our own programs and wait, bounded, until it says that it is ready; it ends with the stack."""
    from brakewater.errors import DeviceError  # noqa: PLC0415

    child = stack.enter_context(
        subprocess.Popen(  # noqa: S603 - our own program
            [sys.executable, *arguments_], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
    )
    stack.callback(_end, child)
    assert child.stdout is not None
    ready = child.stdout.readline() if select.select([child.stdout], [], [], _READY_S)[0] else ""
    if not ready.startswith(("ready", "serving")):
        _end(child)
        raise DeviceError(f"{arguments_[1]} did not start: {(ready + child.stdout.read()).strip()}")


def _end(child: "subprocess.Popen[str]") -> None:
    child.terminate()
    try:
        child.wait(_END_S)
    except subprocess.TimeoutExpired:
        child.kill()


def _opening(rig: "Rig", folder: Path, scenario: str, broker: str) -> str:
    from brakewater.cli import CAUTION  # noqa: PLC0415

    device = rig.devices[0]
    return (
        f"Brakewater demo, scenario {scenario}: everything here is invented. {CAUTION}\n"
        f"  simulator  Modbus TCP {device.host}:{device.port}\n"
        f"  broker     {broker}, topics {rig.root}/#\n"
        f"  panel      {_page(rig, folder)}\n"
        f"  record     {folder}\n"
    )


def _page(rig: "Rig", folder: Path) -> str:
    """Where the driller's page is, with a code that makes the browser a station which may acknowledge."""
    from brakewater.panel.stations import address, invite  # noqa: PLC0415 - only when needed

    return address(rig.panel, invite(folder, "demo")) if rig.panel is not None else "none"


class _Screen:
    """Prints values every few seconds and each turn of an alarm at once."""

    def __init__(self, rig: "Rig", out: TextIO) -> None:
        self._rig, self._out = rig, out
        self._next = 0.0
        self._states: dict[tuple[str | None, str], str] = {}
        self.raised: set[str] = set()

    def show(self, picture: "Picture") -> None:
        from brakewater.cli.lines import picture_line  # noqa: PLC0415
        from brakewater.render import alarm_now  # noqa: PLC0415
        from brakewater.units import utc_text  # noqa: PLC0415

        for alarm in picture.alarms:
            key = (alarm.brake, alarm.alarm)
            if self._states.get(key, "normal") != alarm.state:
                shown = alarm_now(self._rig, alarm)
                print(
                    f"{utc_text(picture.utc_ns)[11:-1]}  {alarm.priority.upper():<8}  {shown['text']}", file=self._out
                )
                if alarm.state == "unacknowledged":
                    self.raised.add(alarm.alarm)
                    print(f"{'':24}{shown['respond']}", file=self._out)
            self._states[key] = alarm.state
        if picture.readings and monotonic() >= self._next:
            self._next = monotonic() + _EVERY_S
            print(picture_line(self._rig, picture), file=self._out)
        self._out.flush()


async def _watch(rig: "Rig", folder: Path, seconds: float, out: TextIO) -> set[str]:
    from brakewater.service import watch  # noqa: PLC0415
    from brakewater.settings import settings  # noqa: PLC0415

    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(message)s", stream=sys.stderr)
    screen = _Screen(rig, out)
    stop = asyncio.Event()
    asyncio.get_running_loop().call_later(seconds, stop.set)
    await watch(rig, folder, settings(None), also=(screen,), stop=stop)
    return screen.raised


def _close(
    args: argparse.Namespace, folder: Path, due_s: dict[str, float], lasted_s: float, raised: set[str], out: TextIO
) -> int:
    expected = sorted(alarm for alarm, due in due_s.items() if due + _LEAD_S <= lasted_s)
    outcome: dict[str, Any] = {
        "record": str(folder),
        "expected": expected,
        "raised": sorted(raised),
        "ok": set(expected) <= raised <= set(due_s),  # an alarm may come before the latest time promised for it
    }
    if args.json:
        print(json.dumps(outcome))
    else:
        print(f"\nexpected: {', '.join(expected) or 'no alarm'}", file=out)
        print(f"raised:   {', '.join(outcome['raised']) or 'no alarm'}", file=out)
        print("as scripted" if outcome["ok"] else "NOT AS SCRIPTED", file=out)
        again = shlex.join([*_program(), "replay", str(folder), "--compare"])
        print(f"\nThe record is in {folder}. To replay it:\n  {again}", file=out)
    return 0 if outcome["ok"] else 1


def _program() -> list[str]:
    """How this program was called, or its plain name where the path knows it."""
    if shutil.which("brakewater"):
        return ["brakewater"]
    return [sys.executable, "-m", "brakewater"] if sys.argv[0].endswith("__main__.py") else [sys.argv[0]]
