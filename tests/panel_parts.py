"""A small device, a watch on it and its pages, as tests of the panel need them."""

import json
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from brakewater.panel.pins import hashed
from brakewater.panel.stations import invite
from brokers import HOST, free_port, until
from daemons import Daemon, SmallDevice, daemon, serving, small_rig
from faults.certificates import Authority

PIN = "2718-0815"
WINDOWS = """
[[lamp]]
name = "cooling"
alarms = ["cooling-lost", "cooling-flow-low"]
colour = "red"
sequence = "F3A"

[[lamp]]
name = "temperature"
alarms = ["inlet-temperature-high", "outlet-temperature-high"]
colour = "yellow"
sequence = "R"

[[lamp]]
name = "signal"
alarms = ["signal-bad", "device-silent"]
colour = "yellow"

[people]
driller = "driller"
engineer = "engineer"

[panel]
port = {port}
"""


@dataclass(frozen=True)
class Pages:
    """Where they are, and what stands behind them."""

    url: str
    watch: Daemon
    device: SmallDevice

    def pairing(self, name: str = "doghouse") -> str:
        """A code that makes a browser a station."""
        return invite(self.watch.record, name)

    def client(self, **more: str) -> httpx.Client:
        """As a page of our own would ask."""
        return httpx.Client(base_url=self.url, headers={"Origin": self.url, **more}, timeout=60, verify=False)

    def end_session(self, kept: Iterable[Mapping[str, Any]]) -> None:
        """End that of the browser with these cookies behind its back, as eight hours or a panel that began anew do."""
        with self.client() as client:
            client.cookies.update({one["name"]: one["value"] for one in kept})
            assert client.post("/api/log-out").status_code == 200


@contextmanager
def pages(
    folder: Path, more: str = "", environment: Mapping[str, str] | None = None, *, tls: bool = False
) -> Iterator[Pages]:
    """Device, watch and panel; the panel answers with a live picture.

    Args:
        folder: for rig file, record and certificates.
        more: further keys of ``[panel]``, then further tables of the rig file.
        environment: of the watch.
        tls: the pages are served over TLS.
    """
    device, port = SmallDevice(free_port()), free_port()
    rig = small_rig(folder / "rig.toml", device=device.port)
    rig.write_text(rig.read_text() + WINDOWS.format(port=port) + (_tls(folder) if tls else "") + more)
    pins = {"BRAKEWATER_PANEL_PINS": json.dumps({"engineer": hashed(PIN)})}
    known = {**pins, **(environment or {})}
    with serving(device), daemon(rig, folder / "record", environment=known) as watch:
        url = f"{'https' if tls else 'http'}://{HOST}:{port}"
        until(lambda: _answers(url), lambda: f"the panel answers: {watch.said}", within_s=120)
        yield Pages(url, watch, device)
        if watch.process.poll() is None:
            watch.end()


@contextmanager
def reading(record: Path) -> Iterator[str]:
    """The panel of a record on which no watch is at work; its address."""
    port = free_port()
    words = [sys.executable, "-m", "brakewater.panel", "--record", str(record), "--port", str(port)]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as process:
        try:
            url = f"http://{HOST}:{port}"
            until(lambda: _serves(url), "the panel serves", within_s=120)
            yield url
        finally:
            process.terminate()
            process.wait()


def _serves(url: str) -> bool:
    try:
        return httpx.get(f"{url}/api/past/spans").status_code == 200
    except httpx.TransportError:
        return False


def _tls(folder: Path) -> str:
    signed = Authority(folder, "authority").sign("panel")
    return f'certificate = "{signed.certificate}"\nkey = "{signed.key}"\n'


def _answers(url: str) -> bool:
    """With a picture, or only to those who log in."""
    try:
        return httpx.get(f"{url}/api/now", verify=False).status_code in (200, 401)
    except httpx.TransportError:
        return False
