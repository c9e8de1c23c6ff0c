"""Whoever may not, may not, by any door of the panel; it stands in the log; and slow clients cost nobody anything."""

import asyncio
import socket
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import uvicorn

from brakewater.panel import prompt
from brakewater.panel.prompt import MOST_OF_ONE
from brokers import HOST, until
from panel_parts import PIN, Pages, pages

pytestmark = [pytest.mark.integration, pytest.mark.timeout(240)]

WINDOW = {"kind": "csv", "from_ms": 0, "to_ms": 60_000}
COMMANDS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("/api/command", {"do": "acknowledge", "alarm": "all"}),
    ("/api/command", {"do": "set", "setting": "aux.cooling-flow-low.setpoint", "value": "70 gal/min", "reason": "x"}),
    ("/api/command", {"do": "note", "text": "x"}),
    ("/api/past/take", WINDOW),
)
FORGED = {"session": {"brakewater-session": "A" * 43}, "station": {"brakewater-station": "A" * 43}, "none": {}}


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    with pages(tmp_path_factory.mktemp("refused")) as one:
        yield one


def paths(shown: Pages) -> set[str]:
    """Every call that changes something, by the panel's own description."""
    with shown.client() as client:
        doc = client.get("/api/openapi.json").json()["paths"]
    return {path for path, verbs in doc.items() if set(verbs) - {"get", "head"}}


def logged(shown: Pages, path: str, status: int) -> None:
    until(lambda: f"POST {path!r} from {HOST} refused: {status}" in shown.watch.said, f"{path} {status} in the log")


def test_every_call_that_changes_something_is_looked_at_here(shown: Pages) -> None:
    assert paths(shown) == {path for path, _ in COMMANDS} | {"/api/log-in", "/api/log-out", "/api/pair"}


@pytest.mark.parametrize("forged", FORGED)
@pytest.mark.parametrize(("path", "body"), COMMANDS)
def test_without_log_in_or_with_a_forged_token_it_is_refused_and_logged(
    shown: Pages, path: str, body: dict[str, Any], forged: str
) -> None:
    before = shown.watch.status()["alarms"]
    with shown.client() as client:
        for name, value in FORGED[forged].items():
            client.cookies.set(name, value)
        answer = client.post(path, json=body)
    assert (answer.status_code, answer.json()["ok"]) == (403, False)
    logged(shown, path, 403)
    assert shown.watch.status()["alarms"] == before


@pytest.mark.parametrize("origin", ["http://elsewhere.example", "null", None])
@pytest.mark.parametrize("path", ["/api/log-in", "/api/log-out", "/api/pair", "/api/command", "/api/past/take"])
def test_from_another_page_it_is_refused_and_logged(shown: Pages, path: str, origin: str | None) -> None:
    headers = {} if origin is None else {"Origin": origin}
    assert httpx.post(f"{shown.url}{path}", json={}, headers=headers).status_code == 403
    logged(shown, path, 403)


def test_a_session_that_was_ended_counts_no_longer(shown: Pages) -> None:
    with shown.client() as client:
        client.post("/api/log-in", json={"actor": "engineer", "pin": PIN})
        stale = dict(client.cookies)
        assert client.post("/api/command", json=COMMANDS[2][1]).status_code == 200
        client.post("/api/log-out")
    with shown.client() as client:
        for name, value in stale.items():
            client.cookies.set(name, value)
        for path, body in COMMANDS:
            assert client.post(path, json=body).status_code == 403


def test_the_wrong_role_is_refused_by_panel_or_watch(shown: Pages) -> None:
    with shown.client() as client:
        client.post("/api/pair", json={"code": shown.pairing("wrong-role")})
        for _, body in COMMANDS[1:3]:
            assert client.post("/api/command", json=body).status_code == 403
    logged(shown, "/api/command", 403)


def test_a_wrong_pin_is_refused_and_logged_without_it(shown: Pages) -> None:
    with shown.client() as client:
        assert client.post("/api/log-in", json={"actor": "engineer", "pin": "31415926"}).status_code == 401
    logged(shown, "/api/log-in", 401)
    assert "31415926" not in shown.watch.said


@pytest.mark.parametrize("path", ["/api/past/take", "/api/command", "/api/log-in", "/api/pair"])
def test_a_body_too_large_is_not_taken(shown: Pages, path: str) -> None:
    with shown.client() as client:
        assert client.post(path, content=b"x" * 70_000).status_code == 413


@pytest.mark.parametrize("path", ["/static/", "/words/"])
@pytest.mark.parametrize(
    "way", ["../app.py", "..%2fapp.py", "%2e%2e/%2e%2e/panel/pins.py", "..\\app.py", "/etc/passwd"]
)
def test_no_path_leads_out_of_the_pages(shown: Pages, path: str, way: str) -> None:
    with socket.create_connection((HOST, int(shown.url.rpartition(":")[2])), timeout=10) as line:
        line.sendall(f"GET {path}{way} HTTP/1.1\r\nHost: {HOST}\r\nConnection: close\r\n\r\n".encode())
        head = b"".join(iter(lambda: line.recv(65536), b""))
    assert head.split()[1] in (b"400", b"404", b"405")
    assert b"root:" not in head
    assert b"import" not in head


def test_requests_that_never_end_and_answers_nobody_reads_cost_nobody_anything(shown: Pages) -> None:
    port = int(shown.url.rpartition(":")[2])
    lines = [socket.create_connection((HOST, port), timeout=10) for _ in range(60)]
    try:
        for at, line in enumerate(lines):
            head = (
                f"POST /api/command HTTP/1.1\r\nHost: {HOST}:{port}\r\nOrigin: {shown.url}\r\nContent-Length: 60000\r\n"
            )
            if at % 3 == 0:  # a head without end
                line.sendall(head[:60].encode())
            elif at % 3 == 1:  # a body without end
                line.sendall(f"{head}\r\n{{".encode())
            else:  # a picture that nobody reads
                line.sendall(f"GET /api/live HTTP/1.1\r\nHost: {HOST}:{port}\r\n\r\n".encode())
        with shown.client() as client:
            first = client.get("/api/now").json()["input"]
            until(lambda: client.get("/api/now").json()["input"] > first + 20, "the picture goes on")
    finally:
        for line in lines:
            line.close()


def test_one_address_takes_no_more_than_its_share_and_it_goes_on(shown: Pages) -> None:
    port = int(shown.url.rpartition(":")[2])
    lines: list[socket.socket] = []
    try:
        for _ in range(MOST_OF_ONE + 40):
            line = socket.create_connection((HOST, port), timeout=10)
            lines.append(line)
        assert hung_up(lines[-1])
        assert not hung_up(lines[0])
    finally:
        for line in lines:
            line.close()

    def goes_on() -> bool:
        with shown.client() as client:
            try:
                return client.get("/api/now").status_code == 200
            except httpx.TransportError:
                return False

    until(goes_on, "it serves again")


def hung_up(line: socket.socket) -> bool:
    """Whether the other side has ended it; one that waits for a head says nothing."""
    line.settimeout(2)
    try:
        return line.recv(1) == b""
    except TimeoutError:
        return False
    except ConnectionError:
        return True


def test_a_head_that_never_ends_is_hung_up_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prompt, "HEAD_S", 0.1)

    async def whole(_: object, __: object, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
        await send({"type": "http.response.body", "body": b"ok"})

    async def asked() -> tuple[bytes, bytes]:
        config = uvicorn.Config(whole, http=prompt.Prompt, lifespan="off", log_level="critical")
        config.load()
        server = uvicorn.Server(config)
        listening = socket.create_server((HOST, 0))
        serving = asyncio.create_task(server.serve(sockets=[listening]))
        found = []
        for said in (b"GET / HTTP/1.1\r\nHost: x", b"GET / HTTP/1.1\r\nHost: x\r\n\r\n"):
            reader, writer = await asyncio.open_connection(HOST, listening.getsockname()[1])
            writer.write(said)
            found.append(await asyncio.wait_for(reader.read(), 20))
            writer.close()
        server.should_exit = True
        await serving
        return found[0], found[1]

    begun, whole_head = asyncio.run(asked())
    assert begun == b"", "hung up on without an answer"
    assert whole_head.startswith(b"HTTP/1.1 200"), "answered, and hung up on because no other head came"
