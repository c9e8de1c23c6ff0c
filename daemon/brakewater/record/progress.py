"""What a server has taken and when, so that what it may have lost again is known."""

import time
from collections import deque

from brakewater.record.batches import Mark


class Progress:
    """What the server has taken and when: the marks of the last margin."""

    def __init__(self, mark: Mark, margin_ns: int) -> None:
        self._margin_ns = margin_ns
        self._marks = deque([(time.monotonic_ns() - margin_ns, mark)])
        self._head = (-1, -1)
        self.going_back = False
        """True from going back until all is sent again."""

    @property
    def safe(self) -> Mark:
        """Everything before this was taken a margin before the last line taken."""
        return self._marks[0][1]

    @property
    def last(self) -> Mark:
        """Everything before this was taken."""
        return self._marks[-1][1]

    @property
    def at_risk(self) -> bool:
        """True where something was taken too lately to be sure of."""
        return len(self._marks) > 1

    def taken(self, mark: Mark) -> None:
        """Everything up to a mark has been taken by now."""
        now = time.monotonic_ns()
        if len(self._marks) > 2 and now - self._marks[-2][0] < self._margin_ns // 16:
            self._marks.pop()  # a few marks are enough
        self._marks.append((now, mark))
        self.going_back = self.going_back and mark.place < self._head
        self.answered()

    def nothing_to_take(self, mark: Mark) -> None:
        """There was nothing to send up to a mark, so the server has not been heard of."""
        self._marks[-1] = (self._marks[-1][0], mark)
        self.going_back = self.going_back and mark.place < self._head

    def answered(self) -> None:
        """The server lives, so what it took a margin ago is safe by now. Time alone would prove nothing."""
        now = time.monotonic_ns()
        while len(self._marks) > 1 and self._marks[1][0] <= now - self._margin_ns:
            self._marks.popleft()

    def go_back(self) -> Mark:
        """Give up what is not safe; returns where to go on."""
        self._head = max(self._head, self.last.place)
        self.going_back = self.going_back or self.at_risk
        safe = self._marks[0]
        self._marks.clear()
        self._marks.append(safe)
        return safe[1]
