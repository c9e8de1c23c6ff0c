"""The newest picture with what a PLC must know beside it: does the watch still go on."""

from collections.abc import Callable
from time import monotonic_ns
from typing import Final

from brakewater.register_image import Links, Sight
from brakewater.rig import Rig
from brakewater.stream import Picture

STALE_NS: Final = 1_000_000_000
STALE_SCANS: Final = 3
"""Without an outcome for longer than both, the watch has stopped."""

_SETTLE_NS: Final = 500_000_000
"""What waited while the watch stood still has come in within this time of its going on; an assumption."""


class Newest:
    """Overwritten by each picture; a beat is a scan that went through the engine, not a picture of a command alone."""

    def __init__(self, rig: Rig, links: Callable[[], Links], scanned_ns: Callable[[], int] = monotonic_ns) -> None:
        """Nothing seen yet.

        Args:
            rig: gives the cadence.
            links: how the other sides do.
            scanned_ns: monotonic time of the last scan; the same time again means that none came between.
        """
        self._stale_ns = max(STALE_NS, STALE_SCANS * rig.scan_ns)
        self._links, self._scanned_ns = links, scanned_ns
        self._picture: Picture | None = None
        self._shown = self._beats = 0
        self._beat_ns = self._on_again_ns = 0

    def show(self, picture: Picture) -> None:
        """Take it; costs next to nothing."""
        scanned_ns = self._scanned_ns()
        if scanned_ns != self._beat_ns:
            if self._beat_ns and scanned_ns - self._beat_ns > self._stale_ns:
                self._on_again_ns = monotonic_ns()
            self._beats, self._beat_ns = self._beats + 1 & 0xFFFF, scanned_ns
        self._picture = picture
        self._shown += 1

    @property
    def watching(self) -> bool:
        """Outcomes come."""
        return self._picture is not None and monotonic_ns() - self._beat_ns <= self._stale_ns

    @property
    def heeds(self) -> bool:
        """What a person asks for now was asked for in sight of this picture, not before the watch stood still."""
        return self.watching and monotonic_ns() - self._on_again_ns > _SETTLE_NS

    @property
    def mark(self) -> tuple[int, bool]:
        """Equal while the same is to be shown."""
        return self._shown, self.watching

    def sight(self) -> Sight:
        """What is to be shown at this moment."""
        return Sight(picture=self._picture, beats=self._beats, watching=self.watching, links=self._links())
