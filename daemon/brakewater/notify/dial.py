"""Which MQTT version to try next, and how long to wait before."""

from typing import Final

from brakewater.notify.session import Outcome, Version

FIRST_WAIT_S: Final = 0.1
LONGEST_WAIT_S: Final = 2.0
_SETTLED_S: Final = 5.0
"""A session that lasted this long was a good one: the next wait is short again."""


class Dial:
    """5.0 first, 3.1.1 where the broker will not have it; waits 0.1 s after the first failure, doubled up to 2 s."""

    def __init__(self) -> None:
        self.version = Version.V5
        self.wait_s = 0.0
        self._backoff_s = FIRST_WAIT_S
        self._cuts = 0

    def after(self, outcome: Outcome, lasted_s: float) -> None:
        """An attempt is over.

        Args:
            outcome: what it came to. Some brokers close without a word instead of refusing a version, so two such in
                a row count as that; others say nothing at all.
            lasted_s: how long the session lasted.
        """
        self._cuts = self._cuts + 1 if outcome is Outcome.CUT else 0
        if outcome is Outcome.ACCEPTED:
            self.version = Version.V5
            self._backoff_s = FIRST_WAIT_S if lasted_s > _SETTLED_S else self._backoff_s
        elif outcome in (Outcome.OTHER_VERSION, Outcome.MUTE) or (self._cuts and self._cuts % 2 == 0):
            self.version = Version.V311 if self.version is Version.V5 else Version.V5
            if self.version is Version.V311:
                self.wait_s = 0.0
                return
        self.wait_s = self._backoff_s
        self._backoff_s = min(2 * self._backoff_s, LONGEST_WAIT_S)
