"""The daemon's live picture, followed once and rendered once for all who look."""

import asyncio
import contextlib
import json
import logging
from collections import deque
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from time import monotonic
from typing import Any, Final

from brakewater.control import ask, follow
from brakewater.errors import BrakewaterError
from brakewater.live import picture_of
from brakewater.panel.shown import VALID_S, page_doc, rig_doc, trend_of
from brakewater.render import Document
from brakewater.rig import Rig, parse
from brakewater.rig.panel import Panel
from brakewater.wording import LANGUAGES

_AGAIN_S: Final = 0.5
"""Between two tries to reach the daemon."""
_BEAT_S: Final = 0.5
_TREND_S: Final = 1.0
_TREND_POINTS: Final = 600

_log = logging.getLogger(__name__)


class Followed:
    """What the daemon shows now, for any number of pages."""

    def __init__(self, folder: Path, fallback: Panel) -> None:
        """Nothing is followed yet.

        Args:
            folder: record folder with the daemon's socket.
            fallback: settings of the panel until the rig file is known.
        """
        self._folder, self._fallback = folder, fallback
        self._texts: dict[str, str] = {}
        self._seen_s = -VALID_S
        self._next: asyncio.Future[None] | None = None
        self._trend_s = 0.0
        self.trend: deque[tuple[int, dict[str, float | None]]] = deque(maxlen=_TREND_POINTS)
        self.rig: Rig | None = None
        self.rig_doc: Document | None = None
        self._run = -1

    @property
    def age_s(self) -> float:
        """Since the daemon's last picture, s."""
        return monotonic() - self._seen_s

    def text(self, language: str) -> str | None:
        """The newest picture as JSON text; None where it may not be believed any more."""
        return self._texts.get(language) if self.age_s < VALID_S else None

    async def run(self) -> None:
        """Follow for ever; a daemon that is away is tried again."""
        while True:
            with contextlib.suppress(OSError, ValueError, BrakewaterError):
                async for doc in follow(self._folder):
                    await self._take(doc)
            self._lose()
            await asyncio.sleep(_AGAIN_S)

    async def changes(self, language: str) -> AsyncIterator[str | None]:
        """The newest picture now and after each change; None at least twice a second where there is none to believe."""
        while True:
            yield self.text(language)
            self._next = self._next or asyncio.get_running_loop().create_future()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(asyncio.shield(self._next), _BEAT_S)

    async def _take(self, doc: Mapping[str, Any]) -> None:
        picture = picture_of(doc)
        if picture.run != self._run or self.rig is None:
            await self._know(picture.run)
        assert self.rig is not None
        assert self.rig_doc is not None
        pages = {name: page_doc(self.rig, picture, words) for name, words in LANGUAGES.items()}
        self._texts = {name: json.dumps(page) for name, page in pages.items()}
        self._seen_s = monotonic()
        page = next(iter(pages.values()))
        if self._seen_s >= self._trend_s:
            self._trend_s = self._seen_s + _TREND_S
            self.trend.append((page["utc_ms"], trend_of(page, self.rig_doc)))
        self._wake()

    def _lose(self) -> None:
        """The daemon has hung up: what it showed last is told as live no longer, not even for a moment."""
        if self._texts:
            self._texts = {}
            self._wake()

    def _wake(self) -> None:
        done, self._next = self._next, None
        if done is not None:
            done.set_result(None)

    async def _know(self, run: int) -> None:
        """Ask for the rig file in force."""
        found = await asyncio.to_thread(ask, self._folder, {"ask": "rig"})
        self.rig = parse(found["toml"], found["file"])
        self.rig_doc = rig_doc(self.rig, self.rig.panel or self._fallback)
        self._run = run
        self.trend.clear()
