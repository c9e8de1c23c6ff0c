"""Real brokers and foreign peers for the tests: mosquitto and its clients, amqtt in a process of its own."""

import json
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from faults.lines import free_port as free_port  # noqa: PLC0414 - for the tests that take it from here
from programs import Program

HOST = "127.0.0.1"
_MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
_AMQTT = """
import asyncio, sys
from amqtt.broker import Broker
async def main():
    listeners = {"default": {"type": "tcp", "bind": "127.0.0.1:" + sys.argv[1]}}
    broker = Broker({"listeners": listeners, "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {}}})
    await broker.start()
    await asyncio.Event().wait()
asyncio.run(main())
"""


def until(met: Callable[[], bool], what: str | Callable[[], object] = "", within_s: float = 40.0) -> None:
    """Wait for a condition; generous, because it only bounds a failing test.

    Args:
        met: the condition.
        what: it is, or what tells how things stand when it has not come about: a text is of the time before the wait.
        within_s: no longer.
    """
    deadline = time.monotonic() + within_s
    while not met():
        assert time.monotonic() < deadline, f"not in {within_s} s: {what() if callable(what) else what}"
        time.sleep(0.01)


class Broker(Program):
    """A broker process on a port of its own; may be killed and started again."""

    def __init__(self, command: list[str], port: int, log: Path) -> None:
        super().__init__()
        self.port = port
        self._command, self._log = command, log

    def start(self) -> None:
        self._run(self._command, self._log)
        until(self._answers, lambda: f"broker on {self.port}: {self._log.read_text()}")

    def _answers(self) -> bool:
        try:
            socket.create_connection((HOST, self.port), timeout=0.2).close()
        except OSError:
            return False
        return True

    def end(self) -> None:
        """As a service is stopped: it may write down what it keeps."""
        assert self._process is not None
        self._process.terminate()
        self._process.wait()
        self._process = None


def mosquitto(folder: Path, *access: str, keeps: bool = False) -> Broker:
    """Not yet started.

    Args:
        folder: for its settings, log and what it keeps.
        access: lines about who may do what; anybody may where there are none.
        keeps: retained states and sessions outlive an orderly end.
    """
    port = free_port()
    config = folder / "mosquitto.conf"
    store = f"persistence true\npersistence_location {folder}/" if keeps else "persistence false"
    rules = access or ("allow_anonymous true",)
    lines = [f"listener {port} {HOST}", store, "max_queued_messages 0", "user root", *rules, ""]
    config.write_text("\n".join(lines))
    return Broker([_MOSQUITTO, "-c", str(config)], port, folder / "mosquitto.log")


def amqtt(folder: Path) -> Broker:
    """Speaks 3.1.1 and refuses 5.0. Not yet started."""
    port = free_port()
    return Broker([sys.executable, "-c", _AMQTT, str(port)], port, folder / "amqtt.log")


@contextmanager
def running(broker: Broker) -> Iterator[Broker]:
    broker.start()
    try:
        yield broker
    finally:
        broker.kill()


@dataclass(frozen=True, slots=True)
class Heard:
    """One message as mosquitto_sub tells it."""

    topic: str
    retained: bool
    qos: int
    payload: str

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


class Ear:
    """mosquitto_sub, writing into a file; it has subscribed when it is there."""

    def __init__(self, port: int, topic: str, file: Path, *options: str) -> None:
        self._file = file
        words = ["stdbuf", "-oL", "mosquitto_sub", "-d", "-h", HOST, "-p", str(port), "-q", "1", "-t", topic, *options]
        with file.open("ab") as out:
            before = file.stat().st_size
            self._process = subprocess.Popen([*words, "-F", "%r\t%q\t%t\t%p"], stdout=out)
        until(lambda: b" received SUBACK" in file.read_bytes()[before:], "subscribed")

    def all(self) -> list[Heard]:
        heard = []
        for line in self._file.read_text().split("\n")[:-1]:
            if not line.startswith(("0\t", "1\t")):
                continue  # what it tells of its own doings
            retained, qos, topic, payload = line.split("\t", 3)
            heard.append(Heard(topic, retained == "1", int(qos), payload))
        return heard

    def of(self, end: str) -> list[Heard]:
        return [one for one in self.all() if one.topic.endswith(end)]

    def last(self, end: str) -> Any:
        """The newest payload of a topic; None before the first."""
        heard = [one for one in self.of(end) if one.payload]
        return heard[-1].json if heard else None

    def stop(self) -> None:
        self._process.kill()
        self._process.wait()


@contextmanager
def listening(port: int, topic: str, file: Path, *options: str) -> Iterator[Ear]:
    ear = Ear(port, topic, file, *options)
    try:
        yield ear
    finally:
        ear.stop()


def retained(port: int, topic: str, *options: str) -> dict[str, Any]:
    """What a newcomer is told at once: topic -> payload of everything retained below a filter."""
    words = ["mosquitto_sub", "-h", HOST, "-p", str(port), "-t", topic, "--retained-only", "-W", "1", *options]
    said = subprocess.run([*words, "-F", "%t\t%p"], capture_output=True, text=True, check=False).stdout
    return {name: json.loads(body) for name, body in (line.split("\t", 1) for line in said.splitlines())}


def say(port: int, topic: str, payload: str, *options: str) -> None:
    """mosquitto_pub."""
    words = ["mosquitto_pub", "-h", HOST, "-p", str(port), "-t", topic, "-m", payload, "-q", "1", *options]
    subprocess.run(words, check=True)


def ask(port: int, topic: str, payload: str, reply_to: str, *options: str) -> Any:
    """mosquitto_rr: an MQTT 5 request with a response topic; gives the response."""
    words = ["mosquitto_rr", "-h", HOST, "-p", str(port), "-t", topic, "-e", reply_to, "-m", payload, "-W", "10"]
    said = subprocess.run([*words, "-V", "5", "-q", "1", *options], capture_output=True, text=True, check=True)
    return json.loads(said.stdout)
