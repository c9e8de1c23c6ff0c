"""The daemon's live picture, followed once and rendered once for all who look in a language and units."""

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
from brakewater.panel.shown import VALID_S, in_units, page_doc, rig_doc, trend_now
from brakewater.render import Document
from brakewater.rig import Rig, parse
from brakewater.rig.panel import Panel
from brakewater.stream import Picture
from brakewater.units import CREW_UNITS
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
        self._texts: dict[tuple[str, str], str] = {}
        self._picture: Picture | None = None
        self._seen_s = -VALID_S
        self._next: asyncio.Future[None] | None = None
        self._trend_s = 0.0
        self._trend: deque[tuple[int, dict[str, dict[str, float | None]]]] = deque(maxlen=_TREND_POINTS)
        self.rig: Rig | None = None
        self._rig_docs: dict[str, Document] = {}
        self._run = -1
        self._ended = False

    @property
    def age_s(self) -> float:
        """Since the daemon's last picture, s."""
        return monotonic() - self._seen_s

    @property
    def picture(self) -> Picture | None:
        """The newest; None where it may not be believed any more."""
        return self._picture if self.age_s < VALID_S else None

    def rig_doc(self, system: str | None = None) -> Document | None:
        """The rig in some units (None: the rig file's); None where no watch has been met yet."""
        return None if self.rig is None else self._rig_docs[in_units(self.rig, system).units]

    def trend(self, system: str | None = None) -> list[tuple[int, dict[str, float | None]]]:
        """The last ten minutes in some units: wall time, ms, and one point of each trend."""
        if self.rig is None:
            return []
        units = in_units(self.rig, system).units
        return [(utc_ms, points.get(units, {})) for utc_ms, points in self._trend]

    def text(self, language: str, system: str | None = None) -> str | None:
        """The newest picture as JSON text; None where it may not be believed any more."""
        if self._picture is None or self.rig is None or self.age_s >= VALID_S:
            return None
        rig = in_units(self.rig, system)
        known = self._texts.get((language, rig.units))
        if known is None:
            known = json.dumps(page_doc(rig, self._picture, LANGUAGES[language]))
            self._texts[language, rig.units] = known
        return known

    async def run(self) -> None:
        """Follow for ever; a daemon that is away is tried again."""
        while True:
            try:
                async for doc in follow(self._folder):
                    await self._take(doc)
            except (OSError, ValueError, BrakewaterError) as error:
                _log.debug("%s: %s", self._folder, error)
            except Exception:  # noqa: BLE001 - whatever it is, a page that is dead for good must not come of it
                _log.exception("following the watch failed; trying on")
            self._lose()
            await asyncio.sleep(_AGAIN_S)

    async def changes(self, language: str, system: str | None = None) -> AsyncIterator[str | None]:
        """The newest picture now and after each change; None at least twice a second where there is none to believe."""
        while not self._ended:
            yield self.text(language, system)
            self._next = self._next or asyncio.get_running_loop().create_future()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(asyncio.shield(self._next), _BEAT_S)

    def end(self) -> None:
        """No further changes: whoever waits for one is let go."""
        self._ended = True
        self._wake()

    async def _take(self, doc: Mapping[str, Any]) -> None:
        picture = picture_of(doc)
        if picture.run != self._run or self.rig is None:
            await self._know(picture.run)
        assert self.rig is not None
        self._texts, self._picture = {}, picture
        self._seen_s = monotonic()
        if self._seen_s >= self._trend_s:
            self._leave_out(picture)
            self._trend_s = self._seen_s + _TREND_S
            points = {name: trend_now(in_units(self.rig, name), picture, doc) for name, doc in self._rig_docs.items()}
            self._trend.append((picture.utc_ns // 1_000_000, points))
        self._wake()

    def _leave_out(self, picture: Picture) -> None:
        """Where there was none to believe, a point without a value each second: the trend has a hole there."""
        missing_s = self._seen_s - self._trend_s
        if not self._trend or missing_s < VALID_S:
            return
        for seconds in range(min(round(missing_s / _TREND_S), _TREND_POINTS), 0, -1):
            self._trend.append((picture.utc_ns // 1_000_000 - 1000 * seconds, {}))

    def _lose(self) -> None:
        """The daemon has hung up: what it showed last is told as live no longer, not even for a moment."""
        if self._picture is not None:
            self._texts, self._picture = {}, None
            self._wake()

    def _wake(self) -> None:
        done, self._next = self._next, None
        if done is not None:
            done.set_result(None)

    async def _know(self, run: int) -> None:
        """Ask for the rig file in force."""
        found = await asyncio.to_thread(ask, self._folder, {"ask": "rig"}, holding="toml")
        self.rig = parse(found["toml"], found["file"])
        panel = self.rig.panel or self._fallback
        self._rig_docs = {name: rig_doc(in_units(self.rig, name), panel) for name in CREW_UNITS}
        self._run = run
        self._trend.clear()
