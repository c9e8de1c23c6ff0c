"""What holds for every request: hosts, origins, sizes, and what a browser may do with an answer."""

import asyncio
from typing import Any

import pytest
from starlette.responses import PlainTextResponse

from brakewater.panel import guard as guard_module
from brakewater.panel.guard import MOST_BODY, Guard

OWN = {"host": "127.0.0.1:8420", "origin": "http://127.0.0.1:8420"}


class Inner:
    """Reads the whole body and says how long it was."""

    def __init__(self) -> None:
        self.took: int | None = None

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        took, more = 0, True
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                return
            took, more = took + len(message["body"]), message.get("more_body", False)
        self.took = took
        await PlainTextResponse("done")(scope, receive, send)


def asked(
    method: str = "GET", headers: dict[str, str] | None = None, parts: tuple[int, ...] = (0,)
) -> tuple[int | None, dict[str, str], Inner]:
    """Status (None where it hung up), headers of the answer, and what came through."""
    inner, sent = Inner(), []
    messages = [{"type": "http.request", "body": b"x" * size, "more_body": True} for size in parts]
    messages[-1]["more_body"] = False
    raw = [(name.encode(), value.encode()) for name, value in (OWN if headers is None else headers).items()]

    async def receive() -> Any:
        return messages.pop(0)

    async def send(message: Any) -> None:
        sent.append(message)

    guard = Guard(inner, hosts=frozenset({"127.0.0.1", "localhost", "::1"}))
    asyncio.run(guard({"type": "http", "method": method, "path": "/", "headers": raw}, receive, send))
    start = next((one for one in sent if one["type"] == "http.response.start"), None)
    if start is None:
        return None, {}, inner
    return start["status"], {name.decode(): value.decode() for name, value in start["headers"]}, inner


@pytest.mark.parametrize("origin", ["http://[127.0.0.1", "http://127.0.0.1\t:8420"])
def test_an_origin_that_is_no_address_is_refused(origin: str) -> None:
    assert asked("POST", {**OWN, "origin": origin})[0] == 403


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8420", 200), ("127.0.0.1", 200), ("LOCALHOST:1", 200), ("[::1]:8420", 200),
        ("rebound.example", 421), ("127.0.0.1.rebound.example", 421), ("", 421), ("[", 421), ("12\t7.0.0.1", 421),
        ("user@127.0.0.1:8420", 200), ("127.0.0.1@rebound.example", 421),
    ],
)  # fmt: skip
def test_only_own_host_names_are_served(host: str, status: int) -> None:
    found, _, inner = asked(headers={"host": host})
    assert found == status
    assert (inner.took is not None) == (status == 200)


@pytest.mark.parametrize(
    "origin", [None, "null", "http://elsewhere.example", "http://127.0.0.1:9999", "127.0.0.1:8420"]
)
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
def test_what_changes_something_must_come_from_our_own_pages(method: str, origin: str | None) -> None:
    headers = {"host": OWN["host"], **({} if origin is None else {"origin": origin})}
    status, _, inner = asked(method, headers)
    assert (status, inner.took) == (403, None)
    assert asked(method)[0] == 200


def test_who_tried_what_was_refused_is_logged(caplog: pytest.LogCaptureFixture) -> None:
    asked("POST", {"host": OWN["host"], "origin": "http://elsewhere.example"})
    assert [one.getMessage() for one in caplog.records] == ["POST '/' from ? refused: 403"]
    caplog.clear()
    asked("GET", {"host": "rebound.example"})  # looking changes nothing, and a page that waits looks every second
    asked("POST")
    assert caplog.records == []


@pytest.mark.parametrize("length", [str(MOST_BODY + 1), "-1", "x", "1e3", "9" * 400])
def test_a_body_that_says_it_is_too_long_is_not_read(length: str) -> None:
    status, _, inner = asked("POST", {**OWN, "content-length": length})
    assert (status, inner.took) == (413, None)


def test_a_body_longer_than_it_said_is_cut_off() -> None:
    status, _, inner = asked("POST", {**OWN, "content-length": "10"}, (MOST_BODY, 1))
    assert (status, inner.took) == (None, None)
    assert asked("POST", OWN, (MOST_BODY - 1, 1))[0] == 200


def test_a_body_without_a_length_is_refused() -> None:
    assert asked("POST", {**OWN, "transfer-encoding": "chunked"})[0] == 411


@pytest.mark.parametrize("headers", [OWN, {"host": "elsewhere.example"}])
def test_every_answer_tells_the_browser_what_it_may_do(headers: dict[str, str]) -> None:
    _, found, _ = asked(headers=headers)
    policy = found["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert found["x-content-type-options"] == "nosniff"
    assert found["cache-control"] == "no-store"


def test_a_body_that_does_not_come_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard_module, "BODY_S", 0.01)
    inner, sent = Inner(), []

    async def receive() -> Any:
        await asyncio.sleep(60)

    async def send(message: Any) -> None:
        sent.append(message)

    raw = [(name.encode(), value.encode()) for name, value in OWN.items()]
    guard = Guard(inner, hosts=frozenset({"127.0.0.1"}))
    asyncio.run(guard({"type": "http", "method": "POST", "path": "/", "headers": raw}, receive, send))
    assert (inner.took, sent) == (None, [])
