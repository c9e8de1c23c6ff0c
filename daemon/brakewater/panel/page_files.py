"""The pages as they are sent: styles inside, words filled in, light as last chosen, so that the first look is right.

A browser shows a page when its styles are there. They go with it, allowed by their digest in the policy, and so do the
words of the language asked for: nothing else has to be fetched before something can be read. What is asked for is told
by the address (``?lang=es``) or by what the page has kept in cookies; else it is the rig file's.
"""

import base64
import hashlib
import json
import re
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Final

from starlette.requests import Request
from starlette.responses import Response

from brakewater.panel.guard import policy
from brakewater.panel.shelf import Kept, kept
from brakewater.wording import LANGUAGES

STATIC: Final = Path(__file__).parent / "static"
_SHEET: Final = re.compile(r'<link rel="stylesheet" href="/static/([\w./]+)">\n')
_WORD: Final = re.compile(r'(<[^>]*\bdata-word="([^"]+)"[^>]*>)(?=</)')
_LABEL: Final = re.compile(r'data-label="([^"]+)"')
_LIGHTS: Final = ("day", "night")


class Pages:
    """One page in every language and light, made when first asked for."""

    def __init__(self, name: str) -> None:
        """``name``: of a file ``<name>.html`` among the static ones."""
        self._text = (STATIC / f"{name}.html").read_text(encoding="utf-8")
        sheets = [STATIC / sheet for sheet in _SHEET.findall(self._text)]
        style = "\n".join(one.read_text(encoding="utf-8") for one in sheets if one.is_file())
        self._style = f"<style>{style}</style>"
        digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
        self._headers = {"Content-Security-Policy": policy(f"'sha256-{digest}'"), "Vary": "Accept-Encoding, Cookie"}
        self._made: dict[tuple[str, str], Kept] = {}

    def answer(self, request: Request, fallback: str) -> Response:
        """The page for whoever asks.

        Args:
            request: with its cookies.
            fallback: language where none is asked for, of ``LANGUAGES``.
        """
        asked = (request.query_params.get("lang", ""), request.cookies.get("language", ""), fallback)
        code = next(one for one in asked if one in LANGUAGES)
        light = request.cookies.get("light", "")
        key = code, light if light in _LIGHTS else _LIGHTS[0]
        made = self._made.get(key)
        if made is None:
            made = self._made[key] = kept(self._page(*key).encode(), "text/html")
        return made.answer(request, self._headers)

    def _page(self, code: str, light: str) -> str:
        words = LANGUAGES[code].pages
        text = self._text.replace('lang="en"', f'lang="{code}"', 1).replace('light="day"', f'light="{light}"', 1)
        text = _WORD.sub(lambda found: found[1] + escape(words.get(found[2], "")), text)
        text = _LABEL.sub(lambda found: f'{found[0]} aria-label="{escape(words.get(found[1], ""))}"', text)
        first = _SHEET.search(text)
        if first is not None:
            text = text[: first.start()] + self._style + _SHEET.sub("", text[first.start() :])
        given = f'<script type="application/json" id="words">{_given(code, words)}</script>'
        return text.replace("</head>", f"{given}</head>", 1)


def _given(code: str, words: Mapping[str, str]) -> str:
    names = {one: language.pages.get("name", one) for one, language in LANGUAGES.items()}
    doc = {"language": code, "languages": names, "table": dict(words)}
    return json.dumps(doc, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
