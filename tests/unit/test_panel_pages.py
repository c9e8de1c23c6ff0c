"""Pages and files as they go over the wire: in the words and light asked for, packed, and only where they changed."""

import asyncio
import base64
import gzip
import hashlib
import json
import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request

from brakewater.panel.guard import policy
from brakewater.panel.page_files import STATIC, Pages
from brakewater.panel.shelf import Shelf, kept
from brakewater.wording import LANGUAGES

NAMES = sorted(page.stem for page in STATIC.glob("*.html"))


def asked(query: str = "", **headers: str) -> Request:
    raw = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    return Request({"type": "http", "method": "GET", "path": "/", "query_string": query.encode(), "headers": raw})


def body(name: str, query: str = "", fallback: str = "en", **headers: str) -> str:
    answer = Pages(name).answer(asked(query, **headers), fallback)
    assert answer.status_code == 200
    return bytes(answer.body).decode()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("code", LANGUAGES)
def test_a_page_can_be_read_before_any_script_runs(name: str, code: str) -> None:
    text = body(name, f"lang={code}")
    assert f'<html lang="{code}"' in text
    for word, said in re.findall(r'data-word="([^"]+)"[^>]*>([^<]*)<', text):
        assert unescape(said) == LANGUAGES[code].pages[word]
    for label, said in re.findall(r'data-label="([^"]+)" aria-label="([^"]*)"', text):
        assert unescape(said) == LANGUAGES[code].pages[label]
    given = re.search(r'<script type="application/json" id="words">(.*?)</script>', text)
    assert given is not None
    assert json.loads(given[1])["table"] == dict(LANGUAGES[code].pages)


@pytest.mark.parametrize("name", NAMES)
def test_its_style_goes_with_it_and_nothing_else_is_allowed(name: str) -> None:
    answer = Pages(name).answer(asked(), "en")
    text = bytes(answer.body).decode()
    style = re.findall("<style>(.*?)</style>", text, re.DOTALL)
    assert len(style) == 1
    assert "stylesheet" not in text
    digest = base64.b64encode(hashlib.sha256(style[0].encode()).digest()).decode()
    told = answer.headers["content-security-policy"]
    assert f"style-src 'self' 'sha256-{digest}';" in told
    assert "unsafe" not in told
    assert told.replace(f" 'sha256-{digest}'", "") == policy()


@pytest.mark.parametrize(
    ("query", "cookie", "fallback", "code"),
    [
        ("lang=es", "language=en", "en", "es"),
        ("", "language=es", "en", "es"),
        ("", "", "es", "es"),
        ("lang=xx", "language=..%2F", "en", "en"),
    ],
)
def test_its_language_is_the_one_asked_for(query: str, cookie: str, fallback: str, code: str) -> None:
    assert f'<html lang="{code}"' in body("driller", query, fallback, cookie=cookie)


def test_at_night_it_is_dark_from_the_first_moment_on() -> None:
    assert 'data-light="night"' in body("driller", cookie="light=night")
    assert 'data-light="day"' in body("driller", cookie='light="><script>')


def test_what_a_browser_has_already_is_not_sent_again() -> None:
    pages = Pages("driller")
    tag = pages.answer(asked(), "en").headers["etag"]
    again = pages.answer(asked(if_none_match=tag), "en")
    assert (again.status_code, bytes(again.body)) == (304, b"")
    assert pages.answer(asked("lang=es", if_none_match=tag), "en").status_code == 200


def test_it_is_packed_for_those_who_can_unpack() -> None:
    long = kept(b"brake " * 1000, "text/plain")
    packed = long.answer(asked(accept_encoding="gzip, br"))
    assert packed.headers["content-encoding"] == "gzip"
    assert len(packed.body) < 200
    assert gzip.decompress(bytes(packed.body)) == long.body
    plain = long.answer(asked())
    assert "content-encoding" not in plain.headers
    assert bytes(plain.body) == long.body
    assert kept(b"short", "text/plain").packed is None


def fetched(shelf: Shelf, path: str) -> dict[str, Any]:
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        raise AssertionError("nothing is read")

    scope = {"type": "http", "method": "GET", "path": f"/static{path}", "root_path": "/static", "headers": []}
    asyncio.run(shelf(scope, receive, send))
    return {name.decode(): value.decode() for name, value in sent[0]["headers"]}


def test_a_shelf_gives_what_stands_on_it_and_nothing_beside(tmp_path: Path) -> None:
    (tmp_path / "in" / "deep").mkdir(parents=True)
    (tmp_path / "beside.js").write_text("secret")
    (tmp_path / "in" / "one.js").write_text("let one;")
    (tmp_path / "in" / "deep" / "two.css").write_text("p {}")
    shelf = Shelf(tmp_path / "in")
    assert fetched(shelf, "/one.js")["content-type"].startswith("text/javascript")
    assert fetched(shelf, "/deep/two.css")["cache-control"] == "no-cache"
    for path in ("/", "/deep", "/../beside.js", "/deep/../one.js", "/..%2Fbeside.js"):
        with pytest.raises(HTTPException):
            fetched(shelf, path)
