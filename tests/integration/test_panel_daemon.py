"""The pages of a real watch over HTTP: what is live, what may be commanded, and what is refused."""

import json
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from brakewater.rig import parse
from brokers import HOST, free_port, until
from daemons import DEMO, brakewater, daemon, demo_rig_file, events, simulator
from panel_parts import PIN, Pages, pages

pytestmark = pytest.mark.integration

ACKNOWLEDGE = {"do": "acknowledge", "alarm": "all"}
CHANGES = ("/api/command", "/api/log-in", "/api/log-out", "/api/pair")
HIDDEN = (
    "/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/app.py", "/static/%2e%2e%2f%2e%2e%2fpanel/pins.py",
    "/static//etc/passwd", "/static/..\\app.py", "/static/....//app.py", "/%2e%2e/%2e%2e/etc/passwd",
)  # fmt: skip


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    with pages(tmp_path_factory.mktemp("panel")) as one:
        yield one


@pytest.fixture
def looker(shown: Pages) -> Iterator[httpx.Client]:
    with shown.client() as client:
        yield client


@pytest.fixture
def station(shown: Pages) -> Iterator[httpx.Client]:
    with shown.client() as client:
        assert client.post("/api/pair", json={"code": shown.pairing()}).status_code == 200
        yield client


def raw(url: str, target: str) -> tuple[int, bytes]:
    """A path as it is, which clients would tidy up."""
    port = int(url.rpartition(":")[2])
    with socket.create_connection((HOST, port), timeout=10) as line:
        line.sendall(f"GET {target} HTTP/1.1\r\nHost: {HOST}:{port}\r\nConnection: close\r\n\r\n".encode())
        head, _, body = b"".join(iter(lambda: line.recv(65536), b"")).partition(b"\r\n\r\n")
    return int(head.split()[1]), body


def test_live_pictures_come_and_go_on(looker: httpx.Client) -> None:
    inputs: list[int] = []
    with looker.stream("GET", "/api/live") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        for line in answer.iter_lines():
            if line.startswith("data: ") and (doc := json.loads(line[6:])):
                inputs.append(doc["input"])
            if len(inputs) == 3:
                break
    assert inputs[0] < inputs[1] < inputs[2]


def test_a_station_acknowledges_into_the_record(shown: Pages, station: httpx.Client) -> None:
    shown.device.flow(2)
    until(lambda: shown.watch.states().get("aux.cooling-lost") == "unacknowledged", "the alarm")
    page = station.get("/api/now").json()
    assert page["windows"]["cooling"]["aspect"] == "first-flash"
    answer = station.post("/api/command", json=ACKNOWLEDGE)
    assert (answer.status_code, answer.json()["ok"]) == (200, True)
    until(lambda: shown.watch.states().get("aux.cooling-lost") == "acknowledged", "acknowledged")
    shown.device.flow(90)
    until(lambda: not shown.watch.states(), "all over")
    recorded = [one for one in events(shown.watch.record) if one.now == "acknowledged"]
    assert {one.actor for one in recorded} == {"driller"}


def test_who_is_not_known_may_look_and_command_nothing(shown: Pages, looker: httpx.Client) -> None:
    assert looker.get("/api/me").json() == {"kind": "looker", "actor": None, "does": []}
    before = shown.watch.status()["input"]
    for asked in (ACKNOWLEDGE, {"do": "test"}, {"do": "acknowledge", "alarm": "all", "as": "driller"}):
        answer = looker.post("/api/command", json=asked)
        assert (answer.status_code, answer.json()["ok"]) == (403, False)
    looker.cookies.set("brakewater-station", "forged")
    looker.cookies.set("brakewater-session", "forged")
    assert looker.post("/api/command", json=ACKNOWLEDGE).status_code == 403
    until(lambda: shown.watch.status()["input"] > before)


def test_a_station_may_test_the_lamps(station: httpx.Client) -> None:
    assert station.post("/api/command", json={"do": "test"}).json()["ok"] is True
    until(lambda: station.get("/api/now").json()["windows"]["cooling"].get("test") is True, "lamps are lit")


def test_a_station_may_not_do_what_needs_a_person(station: httpx.Client) -> None:
    shelve = {"do": "shelve", "alarm": "aux.cooling-flow-low", "minutes": 30, "reason": "noise"}
    for asked in (shelve, {"do": "note", "text": "x"}, {"do": "self-destruct"}, {**ACKNOWLEDGE, "do": "ACKNOWLEDGE"}):
        assert station.post("/api/command", json=asked).status_code in (403, 422)


def test_a_person_commands_as_the_actor_of_the_log_in_and_no_other(shown: Pages, looker: httpx.Client) -> None:
    assert looker.post("/api/log-in", json={"actor": "engineer", "pin": "0000"}).status_code == 401
    answer = looker.post("/api/log-in", json={"actor": "engineer", "pin": PIN})
    assert answer.status_code == 200
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    shelve = {"do": "shelve", "alarm": "aux.cooling-flow-low", "minutes": 1, "reason": "proof", "as": "driller"}
    assert looker.post("/api/command", json=shelve).json()["ok"] is True
    until(lambda: any(one.now == "shelved" for one in events(shown.watch.record)), "recorded")
    shelved = next(one for one in events(shown.watch.record) if one.now == "shelved")
    assert shelved.actor == "engineer"
    assert looker.post("/api/command", json={"do": "unshelve", "alarm": "aux.cooling-flow-low"}).json()["ok"] is True
    looker.post("/api/log-out")
    assert looker.post("/api/command", json=ACKNOWLEDGE).status_code == 403


def test_a_cookie_alone_is_not_enough_from_another_page(station: httpx.Client) -> None:
    for origin in ("http://elsewhere.example", "null", ""):
        answer = station.post("/api/command", json=ACKNOWLEDGE, headers={"Origin": origin})
        assert answer.status_code == 403
    assert station.get("/api/now", headers={"Host": "rebound.example"}).status_code == 421


@pytest.mark.parametrize("path", CHANGES)
@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b'{"do": 5}', b"\xff\xfe", b'{"do": "\\ud800"}', b"[" * 60_000, b'{"code": 1, "x": 2}']
)
def test_bad_bodies_are_refused_in_words_and_break_nothing(station: httpx.Client, path: str, body: bytes) -> None:
    answer = station.post(path, content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code < 500
    assert answer.json()


def test_a_body_without_end_is_not_taken(station: httpx.Client) -> None:
    assert station.post("/api/command", content=b"x" * 70_000).status_code == 413


@pytest.mark.parametrize("target", HIDDEN)
def test_only_what_belongs_to_the_pages_is_served(shown: Pages, target: str) -> None:
    status, body = raw(shown.url, target)
    assert status in (400, 404, 405)
    assert b"root:" not in body
    assert b"import" not in body


def test_a_page_that_takes_nothing_delays_nobody(shown: Pages, looker: httpx.Client) -> None:
    port = int(shown.url.rpartition(":")[2])
    slow = [socket.create_connection((HOST, port), timeout=10) for _ in range(20)]
    try:
        for line in slow:
            line.sendall(f"GET /api/live HTTP/1.1\r\nHost: {HOST}:{port}\r\n\r\n".encode())
        first = looker.get("/api/now").json()["input"]
        until(lambda: looker.get("/api/now").json()["input"] > first + 5, "the picture goes on")
    finally:
        for line in slow:
            line.close()


@pytest.mark.parametrize("tls", [False, True], ids=["plain", "tls"])
def test_who_reads_slowly_gets_new_pictures_not_all_of_them(tmp_path: Path, *, tls: bool) -> None:
    with pages(tmp_path, tls=tls) as one, one.client() as looker, socket.socket() as plain:
        assert len(looker.get("/static/driller.js").content) > 10_000  # whole, though more than waits to be sent
        port, got = int(one.url.rpartition(":")[2]), b""
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        plain.connect((HOST, port))
        line = ssl._create_unverified_context().wrap_socket(plain) if tls else plain
        line.sendall(f"GET /api/live HTTP/1.1\r\nHost: {HOST}:{port}\r\n\r\n".encode())
        until_s = time.monotonic() + 15
        while time.monotonic() < until_s:
            got += line.recv(1024)
            time.sleep(0.1)
        newest = looker.get("/api/now").json()["steady_ms"]
        line.close()
    whole = got.split(b"data: ")[-2].partition(b"\r\n")[0]
    assert newest - json.loads(whole)["steady_ms"] < 6000  # the kernel alone would keep minutes of them


def test_a_watch_that_stands_still_is_not_shown_as_live(shown: Pages, looker: httpx.Client) -> None:
    shown.watch.process.send_signal(signal.SIGSTOP)
    try:
        until(lambda: looker.get("/api/now").status_code == 503, "what it showed last counts no longer")
        with looker.stream("GET", "/api/live") as answer:
            assert next(line for line in answer.iter_lines() if line) == "event: lost"
    finally:
        shown.watch.process.send_signal(signal.SIGCONT)
    until(lambda: looker.get("/api/now").status_code == 200, "it is heard again")


def test_a_trend_has_a_hole_where_nothing_was_heard(shown: Pages, looker: httpx.Client) -> None:
    def trend() -> list[float | None]:
        return looker.get("/api/trend").json()["values"].get("aux/aux-flow", [])

    until(lambda: len(trend()) > 2, "a trend")
    shown.watch.process.send_signal(signal.SIGSTOP)
    time.sleep(6)
    before = len(trend())
    shown.watch.process.send_signal(signal.SIGCONT)
    until(lambda: len(trend()) > before, "it goes on")
    assert 4 <= trend()[before - 1 :].count(None) <= 8


def test_the_past_is_told_as_events_of_the_record(shown: Pages, looker: httpx.Client) -> None:
    told = [json.loads(line) for line in looker.get("/api/past/events").text.splitlines()]
    recorded = events(shown.watch.record)
    assert [(one["run"], one["n"]) for one in told] == [(one.run, one.n) for one in recorded][: len(told)]
    assert looker.get("/api/past/spans").json()[0]["run"] == 1


def test_a_port_in_use_is_said_in_one_line(shown: Pages) -> None:
    words = [sys.executable, "-m", "brakewater.panel", "--record", str(shown.watch.record)]
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 3
    port = shown.url.rpartition(":")[2]
    assert done.stderr == (
        f"brakewater panel: cannot serve on {HOST} port {port}: another program listens there; end it, or change port"
        " or host under [panel]\n"
    )


def test_who_serves_the_pages_of_a_record_is_told_where(shown: Pages) -> None:
    port = free_port()
    words = [sys.executable, "-m", "brakewater", "panel", "--record", str(shown.watch.record), "--port", str(port)]
    with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        says = process.stderr.readline()
        process.terminate()
    until(lambda: not _listens(port), "what served it ends with it")
    assert says == f"serving {shown.watch.record} at http://{HOST}:{port}; Ctrl-C ends it\n"


def test_the_panel_ends_with_a_watch_that_was_killed(tmp_path: Path) -> None:
    with pages(tmp_path) as one:
        one.watch.kill()
        port = int(one.url.rpartition(":")[2])
        until(lambda: not _listens(port), "the port is free again")


def test_a_stop_with_a_page_open_is_quick_and_no_traceback(tmp_path: Path) -> None:
    with pages(tmp_path) as one, one.client() as client:
        client.post("/api/pair", json={"code": one.pairing()})
        with client.stream("GET", "/api/live") as stream:
            assert next(stream.iter_lines()).startswith("data: ")
            assert one.watch.end() == 0
        assert not [word for word in ("Traceback", "ERROR") if word in one.watch.said]


def test_beside_the_simulator_its_pages_show_what_the_watch_sees(tmp_path: Path) -> None:
    device, port = free_port(), free_port()
    file = demo_rig_file(tmp_path / "rig.toml", device=device, broker=free_port(), panel=port)
    url = f"http://{HOST}:{port}"
    with simulator(file, "trip-in"), daemon(file, tmp_path / "record") as watch:
        until(lambda: _now(url) is not None, lambda: f"a picture: {watch.said}", within_s=30)
        paired = brakewater("panel", "--record", watch.record, "--pair", "doghouse")
        address, _, code = paired.stdout.strip().partition("#")
        assert address == f"{url}/pair"
        with httpx.Client(base_url=url, headers={"Origin": url}, timeout=10) as client:
            assert client.post("/api/pair", json={"code": code}).json()["says"] == "this is now station doghouse"
            until(lambda: "rig.broker-lost" in watch.states(), "the broker is missing")
            assert client.post("/api/command", json=ACKNOWLEDGE).status_code == 200
            until(lambda: watch.states()["rig.broker-lost"] == "acknowledged", "acknowledged")
            numbers = client.get("/api/rig").json()["brakes"][0]["numbers"]
            seen = client.get("/api/now").json()["brakes"]["aux"]["readings"]
        assert [one["name"] for one in numbers if not one["derived"]] == [
            point.name for point in parse(DEMO.read_text()).points if point.name in seen and point.role in _BIG
        ]
        assert watch.end() == 0


_BIG = ("inlet-flow", "inlet-temperature", "outlet-temperature", "brake-level")


def _now(url: str) -> object | None:
    try:
        answer = httpx.get(f"{url}/api/now")
    except httpx.TransportError:
        return None
    return answer.json() if answer.status_code == 200 else None


def _listens(port: int) -> bool:
    with socket.socket() as line:
        return line.connect_ex((HOST, port)) == 0
