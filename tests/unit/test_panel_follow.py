"""The newest picture handed on: whoever is slow misses pictures; whoever hangs up is forgotten; a child is kept."""

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from brakewater import control
from brakewater.control import ControlServer, follow
from brakewater.live import picture_of, text_of
from brakewater.panel.followed import Followed
from brakewater.rig.panel import Panel
from brakewater.service import child as child_module
from brakewater.service import feed as feed_module
from brakewater.service.child import Child
from brakewater.service.feed import Feed
from rig_parts import demo_rig, picture


async def nobody(_actor: str, _asked: dict[str, Any]) -> dict[str, Any]:
    return {"ok": False, "says": "not asked here"}


async def met(condition: Any) -> None:
    async with asyncio.timeout(10):
        while not condition():  # noqa: ASYNC110 - what is waited for knows nothing of being waited for
            await asyncio.sleep(0.005)


@pytest.fixture
def prompt(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feed_module, "LEAST_S", 0.0)


@pytest.mark.usefixtures("prompt")
def test_who_follows_gets_the_newest_at_once_and_each_new_one() -> None:
    rig = demo_rig()

    async def run() -> list[int]:
        feed, got = Feed(), []
        feed.show(picture(rig, number=1))
        async for line in feed.lines():
            got.append(json.loads(line)["input"])
            if len(got) == 3:
                break
            asyncio.get_running_loop().call_soon(feed.show, picture(rig, number=got[-1] + 1))
        return got

    assert asyncio.run(run()) == [1, 2, 3]


@pytest.mark.usefixtures("prompt")
def test_who_is_slow_misses_pictures_and_gets_the_newest() -> None:
    rig = demo_rig()

    async def run() -> list[int]:
        feed, got = Feed(), []
        feed.show(picture(rig, number=1))
        lines = feed.lines()
        got.append(json.loads(await anext(lines))["input"])
        for number in range(2, 101):
            feed.show(picture(rig, number=number))
        got.append(json.loads(await anext(lines))["input"])
        await lines.aclose()
        return got

    assert asyncio.run(run()) == [1, 100]


def test_all_who_follow_share_one_text(monkeypatch: pytest.MonkeyPatch) -> None:
    rig, written = demo_rig(), []

    def counted(one: Any) -> bytes:
        written.append(one.input)
        return text_of(one)

    monkeypatch.setattr(feed_module, "text_of", counted)

    async def run() -> None:
        feed = Feed()
        feed.show(picture(rig, number=1))
        assert written == [], "without followers it costs nothing"
        many = [feed.lines() for _ in range(20)]
        assert len({await anext(lines) for lines in many}) == 1
        for lines in many:
            await lines.aclose()

    asyncio.run(run())
    assert written == [1]


@pytest.mark.usefixtures("prompt")
def test_a_picture_goes_through_the_socket_as_it_is(tmp_path: Path) -> None:
    rig = demo_rig()

    async def run() -> Any:
        feed = Feed()
        feed.show(picture(rig, number=7))
        server = ControlServer(tmp_path, nobody, feed.lines)
        await server.open()
        try:
            following = follow(tmp_path)
            doc = await anext(following)
            await following.aclose()
            await met(lambda: not server._open)
        finally:
            await server.close()
        return picture_of(doc)

    assert asyncio.run(run()) == picture(rig, number=7)


def test_who_takes_nothing_is_hung_up_on_and_hurts_nobody_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(control, "_PATIENCE_S", 0.2)

    async def flood() -> AsyncIterator[bytes]:
        while True:
            yield b'"' + b"x" * 100_000 + b'"'
            await asyncio.sleep(0)

    async def run() -> None:
        server = ControlServer(tmp_path, nobody, flood)
        await server.open()
        reader, writer = await asyncio.open_unix_connection(str(tmp_path / control.SOCKET), limit=1000)
        try:
            writer.write(b'{"ask": "follow"}\n')
            await writer.drain()
            await met(lambda: len(server._open) == 1)
            await met(lambda: not server._open)
            assert not reader.at_eof()  # it never read a byte
        finally:
            writer.close()
            await server.close()

    asyncio.run(run())


def test_a_page_follows_on_where_the_watch_did_not_tell_its_rig_file(tmp_path: Path) -> None:
    rig, told = demo_rig(), []

    async def crowded(_actor: str, asked: dict[str, Any]) -> dict[str, Any]:
        told.append(asked)
        if len(told) < 3:
            return {"ok": False, "says": "64 clients already ask; try again"}
        return {"ok": True, "run": 1, "file": rig.file, "toml": rig.text}

    async def run() -> None:
        feed = Feed()
        server, followed = ControlServer(tmp_path, crowded, feed.lines), Followed(tmp_path, Panel())
        await server.open()
        feed.show(picture(rig, number=1))
        following = asyncio.create_task(followed.run())
        try:
            await met(lambda: followed.text("en") is not None)
        finally:
            following.cancel()
            await asyncio.gather(following, return_exceptions=True)
            await server.close()

    asyncio.run(run())
    assert len(told) == 3


def test_a_closing_door_ends_who_follows(tmp_path: Path) -> None:
    async def run() -> None:
        feed = Feed()
        feed.show(picture(demo_rig()))
        server = ControlServer(tmp_path, nobody, feed.lines)
        await server.open()
        following = follow(tmp_path)
        await anext(following)
        await server.close()
        async for _ in following:
            pass  # what had been sent before

    asyncio.run(run())


def test_a_child_that_ends_is_started_again_ever_more_slowly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(child_module, "_FIRST_S", 0.005)
    mark = tmp_path / "starts"

    async def run() -> None:
        one = Child("page", ("-S", "-c", f"open({str(mark)!r}, 'a').write('x'); raise SystemExit(3)"))
        one.open()
        await met(lambda: mark.exists() and len(mark.read_text()) >= 3)
        await one.close()

    asyncio.run(run())
    waits = [record.args[2] for record in caplog.records if isinstance(record.args, tuple)]
    assert waits[:2] == [0.01, 0.02]
    assert "the page ended with exit status 3" in caplog.text


def test_a_closed_child_is_ended_even_where_it_does_not_want_to(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(child_module, "_END_S", 0.05)
    stubborn = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); time.sleep(60)"

    async def run() -> Child:
        one = Child("page", ("-S", "-c", stubborn))
        one.open()
        await met(lambda: one.running)
        await asyncio.sleep(0.1)
        await one.close()
        return one

    one = asyncio.run(run())
    assert (one.running, one.starts) == (False, 1)


def test_a_child_that_cannot_be_started_is_said_and_tried_again(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(sys, "executable", "/no/such/python")

    async def run() -> None:
        one = Child("page", ("-c", ""))
        one.open()
        await met(lambda: "cannot be started" in caplog.text)
        await one.close()

    asyncio.run(run())
