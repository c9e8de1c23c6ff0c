"""Records to mirror, what has to arrive of them, and the servers it arrives at: scripted ones and victoria-metrics."""

import gzip
import json
import shutil
import ssl
import threading
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from brakewater.engine import Engine
from brakewater.record.journal import Journal
from brakewater.rig import Mirror, Rig
from brakewater.stream import Block, Command, Event, Gap, Input, Outcome, Start
from brokers import HOST, free_port, until
from programs import Program
from streams import command, demo, scans

RIG = demo()
SECOND = 1_000_000_000
Key = tuple[str, frozenset[tuple[str, str]], int]
"""Measurement, tags, ns."""
Points = dict[Key, dict[str, float]]

POINT_FIELDS = {
    ("rig", "hook-load"): "hook_load_n",
    ("rig", "block-position"): "block_position_m",
    ("rig", "pump-running"): "pump_running",
    ("rig", "tank-temperature"): "tank_temperature_degc",
    ("rig", "ambient-temperature"): "ambient_temperature_degc",
    ("aux", "aux-flow"): "aux_flow_m3_s",
    ("aux", "aux-inlet"): "aux_inlet_degc",
    ("aux", "aux-outlet"): "aux_outlet_degc",
    ("aux", "aux-level"): "aux_level_m",
    ("aux", "aux-in-service"): "aux_in_service",
    ("rig", "self.lateness"): "self_lateness_s",
    ("rig", "self.commit-age"): "self_commit_age_s",
    ("rig", "self.queued"): "self_queued",
    ("rig", "self.clock-step"): "self_clock_step_s",
    ("rig", "self.broker"): "self_broker",
    ("rig", "self.mirror.base"): "self_mirror_base_s",
    ("rig", "self.disk-used"): "self_disk_used",
    ("rig", "self.restarts"): "self_restarts",
    ("rig", "self.panel"): "self_panel",
}
PLAIN = str.maketrans("-:.", "___")
PRIORITY = {"low": 1, "medium": 2, "high": 3, "critical": 4}
STATE = {"normal": 0, "unacknowledged": 1, "acknowledged": 2, "returned-unacknowledged": 3}


def incident(n: int, *, run: int = 1, t0: int = SECOND, utc0: int, rig: Rig = RIG, boot: str = "b") -> list[Input]:
    """A run with noise, a bad inlet, a flow that fails and comes back, and an acknowledgement."""
    rng = np.random.default_rng(run)
    flow = 5.6e-3 + rng.normal(0, 2e-5, n)
    flow[n // 3 : n // 2] = 0.0
    raw_inlet = np.full(n, 11_050.0) + rng.integers(-3, 4, n)
    raw_inlet[3 * n // 4 : 3 * n // 4 + 25] = 60_000.0
    first = scans(
        rig,
        n,
        run=run,
        t0=t0,
        utc0=utc0,
        values={"aux-flow": flow, "ambient-temperature": 18.3},
        raw={"aux-inlet": raw_inlet},
    )
    more = scans(
        rig,
        10,
        run=run,
        first=n + 2,
        t0=int(first.t_ns[-1]) + rig.scan_ns,
        utc0=utc0 + n * rig.scan_ns,
        values={"ambient-temperature": 18.3},
    )
    opening = Start(run=run, t_ns=t0 - 1, utc_ns=utc0 - 1, boot=boot, version="0", rig_toml=rig.text, own=rig.own)
    return [opening, first, command(first, key=f"c{run}", alarm="all"), more]


def pieces(inputs: Sequence[Input], piece: int) -> Iterator[Callable[[Journal], None]]:
    """Steps that record inputs as the watch would, with the events of an engine of its own."""
    engine = Engine()
    for item in inputs:
        if isinstance(item, Start):
            yield partial(_begin, item, engine.feed(item).events)
            continue
        for at in range(0, len(item) if isinstance(item, Block) else 1, piece):
            part = item.cut(at, min(at + piece, len(item))) if isinstance(item, Block) else item
            yield partial(_append, part, engine.feed(part).events)


def _begin(item: Start, events: tuple[Event, ...], journal: Journal) -> None:
    journal.begin(item, events)


def _append(item: Block | Command | Gap, events: tuple[Event, ...], journal: Journal) -> None:
    journal.append(item, events)


def write(folder: Path, inputs: Sequence[Input], *, piece: int = 500) -> None:
    """Record inputs."""
    with Journal(folder, bound=1_000_000) as journal:
        for put in pieces(inputs, piece):
            put(journal)
        assert journal.wait_committed(30)


def due(inputs: Iterable[Input], every_ns: int, more: Mapping[tuple[str, str], str] = MappingProxyType({})) -> Points:
    """What has to arrive, worked out scan by scan from the engine's columns and events.

    Args:
        inputs: from a Start on.
        every_ns: a point so often.
        more: (brake, point) -> field of points that the demo rig does not have.
    """
    points: Points = {}
    names = POINT_FIELDS | more
    engine, slot = Engine(), None
    for item in inputs:
        if isinstance(item, Start):
            engine, slot = Engine(), None
        before = () if isinstance(item, Start) else engine.alarms()
        states: dict[tuple[str | None, str], str] = {(one.brake, one.alarm): one.state for one in before}
        outcome = engine.feed(item)
        points.update(_event(event) for event in outcome.events)
        for at in range(len(item)) if isinstance(item, Block) else ():
            assert isinstance(item, Block)
            moved = [event for event in outcome.events if event.input == item.input[at]]
            states.update({(event.brake, event.alarm): event.now for event in moved})
            if every_ns and int(item.t_ns[at]) // every_ns == slot:
                continue
            slot = int(item.t_ns[at]) // every_ns if every_ns else None
            for brake in ("rig", "aux"):
                key = ("brakewater", frozenset({("rig", "rig-4"), ("brake", brake)}), int(item.utc_ns[at]))
                points[key] = _fields(outcome, states, brake, at, names)
    return points


def _fields(
    outcome: Outcome,
    states: dict[tuple[str | None, str], str],
    brake: str,
    at: int,
    names: Mapping[tuple[str, str], str],
) -> dict[str, float]:
    fields: dict[str, float] = {}
    for (owner, name), field in names.items():
        if owner == brake and name in outcome.readings:
            _put(fields, field, outcome.readings[name], at)
    for name in [key for of, key in outcome.derived if of == brake]:
        _put(fields, name, outcome.derived["aux", name], at)
    for (owner, alarm), state in states.items():
        if (owner or "rig") == brake:
            fields[f"{alarm.translate(PLAIN)}_state"] = STATE[state]
    return fields


def _put(fields: dict[str, float], name: str, column: Any, at: int) -> None:
    code = int(column.codes[at])
    fields[f"{name}_q"] = 0 if code == 0 else 1 if code < 64 else 2
    if code < 64:
        fields[name] = float(column.values[at])


def _event(event: Event) -> tuple[Key, dict[str, float]]:
    tags = frozenset({("rig", "rig-4"), ("brake", event.brake or "rig"), ("alarm", event.alarm)})
    fields: dict[str, float] = {"state": STATE[event.now], "priority": PRIORITY[event.priority]}
    fields |= {"n": event.n, "run": event.run, "input": event.input}
    if event.value is not None:
        fields["value"] = event.value
    return ("brakewater_event", tags, event.utc_ns), fields


def parsed(lines: Sequence[str]) -> Points:
    """Line protocol as far as the mirror uses it, by the format's public description; later lines overwrite."""
    points: Points = {}
    for line in lines:
        head, fields, ns = line.split(" ")
        measurement, *tags = head.split(",")
        pairs = dict(pair.split("=") for pair in fields.split(","))
        numbers = {name: int(text[:-1]) if text.endswith("i") else float(text) for name, text in pairs.items()}
        key = (measurement, frozenset(tuple(tag.split("=")) for tag in tags), int(ns))
        points.setdefault(key, {}).update(numbers)  # type: ignore[arg-type]
    return points


def mirror(url: str, every_ns: int = 0) -> Mirror:
    return Mirror.model_validate({"url": url, "every": f"{every_ns / 1e9} s"})


# ------------------------------------------------------------------ scripted


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What a scripted server does with one request."""

    status: int = 204
    headers: tuple[tuple[str, str], ...] = ()
    body: bytes = b""
    """Of an answer other than 204."""
    keep: bool | None = None
    """Whether the lines count as stored; by default where the status is 204."""
    hang: bool = False
    drop: bool = False
    """Close the connection without an answer."""
    hang_up: bool = False
    """Close it after the answer, without a word."""


Script = Callable[[int, list[str]], Answers]


class Scripted:
    """An HTTP server on loopback that keeps what it was sent and answers by a script."""

    def __init__(self, tls: ssl.SSLContext | None = None) -> None:
        self.script: Script = lambda _n, _lines: Answers()
        self.lines: list[str] = []
        self.requests: list[tuple[str, dict[str, str], list[str]]] = []
        self.release = threading.Event()
        self._lock = threading.Lock()
        server = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            disable_nagle_algorithm = True

            def do_POST(self) -> None:
                body = gzip.decompress(self.rfile.read(int(self.headers["Content-Length"])))
                server.answer(self, body.decode().split("\n"))

            def log_message(self, *_: object) -> None:
                pass

        self._http = ThreadingHTTPServer((HOST, 0), Handler)
        self._http.daemon_threads = True
        self._http.handle_error = lambda *_: None  # type: ignore[method-assign]
        if tls is not None:
            self._http.socket = tls.wrap_socket(self._http.socket, server_side=True, do_handshake_on_connect=False)
        self.url = f"{'https' if tls else 'http'}://{HOST}:{self._http.server_address[1]}"

    def answer(self, handler: BaseHTTPRequestHandler, lines: list[str]) -> None:
        with self._lock:
            self.requests.append((handler.path, dict(handler.headers), lines))
            says = self.script(len(self.requests), lines)
            if says.keep if says.keep is not None else says.status == 204:
                self.lines += lines
        if says.hang:
            self.release.wait(20)
        if says.drop or says.hang:
            handler.close_connection = True
            return
        handler.send_response(says.status)
        for name, value in says.headers:
            handler.send_header(name, value)
        if says.status != 204:
            handler.send_header("Content-Length", str(len(says.body)))
        handler.end_headers()
        handler.wfile.write(says.body if says.status != 204 else b"")
        handler.close_connection = handler.close_connection or says.hang_up

    @contextmanager
    def up(self) -> Iterator["Scripted"]:
        thread = threading.Thread(target=self._http.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield self
        finally:
            self.release.set()
            self._http.shutdown()
            thread.join()
            self._http.server_close()


# ----------------------------------------------------------- victoria-metrics


class Victoria(Program):
    """Debian's victoria-metrics; may be killed and started again on the same data and port."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._folder, self.port = folder, free_port()
        self.url = f"http://{HOST}:{self.port}"

    def start(self) -> None:
        command_ = [
            shutil.which("victoria-metrics") or "victoria-metrics",
            f"-storageDataPath={self._folder / 'vm'}",
            f"-httpListenAddr={HOST}:{self.port}",
            "-dedup.minScrapeInterval=1ms",
            "-memory.allowedBytes=64MB",
        ]
        self._run(command_, self._folder / "vm.log")
        until(self._answers, "victoria-metrics")

    def _answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/health", timeout=1) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    def points(self, first_ms: int = 0, last_ms: int | None = None) -> Points:
        """All there is between two times, by key with the time in ms, through the export interface."""
        urllib.request.urlopen(f"{self.url}/internal/force_flush", timeout=60).close()
        query = urllib.parse.urlencode(
            {
                "match[]": '{__name__=~"brakewater.*"}',
                "start": f"{first_ms / 1000:.3f}",
                **({} if last_ms is None else {"end": f"{last_ms / 1000:.3f}"}),
            }
        )
        with urllib.request.urlopen(f"{self.url}/api/v1/export?{query}", timeout=120) as answer:
            rows = [json.loads(line) for line in answer.read().splitlines()]
        points: Points = {}
        for row in rows:
            name = row["metric"].pop("__name__")
            measurement = "brakewater_event" if name.startswith("brakewater_event_") else "brakewater"
            tags = frozenset(row["metric"].items())
            for ms, value in zip(row["timestamps"], row["values"], strict=True):
                fields = points.setdefault((measurement, tags, ms), {})
                assert name not in fields, "twice"
                fields[name.removeprefix(f"{measurement}_")] = value
        return points


def in_ms(points: Points) -> Points:
    """The same with times in ms, rounded down."""
    return {(measurement, tags, ns // 1_000_000): fields for (measurement, tags, ns), fields in points.items()}


def differences(got: Points, expected: Points) -> list[str]:
    """What two sets of points do not have in common; values may differ by 1e-9 of themselves."""
    found = [f"missing {key}" for key in expected.keys() - got.keys()]
    found += [f"surplus {key}" for key in got.keys() - expected.keys()]
    for key in expected.keys() & got.keys():
        here, there = got[key], expected[key]
        if here.keys() != there.keys():
            found.append(f"{key}: {here.keys() ^ there.keys()}")
            continue
        found += [
            f"{key} {name}: {here[name]!r} for {there[name]!r}"
            for name in there
            if abs(here[name] - there[name]) > 1e-9 * abs(there[name])
        ]
    return found
