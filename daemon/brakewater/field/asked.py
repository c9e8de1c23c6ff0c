"""What one unit of a line was asked, and how it went: several devices share a line, and one may fail by itself."""

from collections import Counter
from dataclasses import dataclass, field

from brakewater.quality import Status


@dataclass(slots=True)
class Asked:
    """Counters that only ever grow, and what ails the unit."""

    requests: int = 0
    """Requests sent."""
    by_status: Counter[int] = field(default_factory=Counter)
    """Answers given, by status."""
    trouble: str = ""
    """For people; empty while it answers."""

    def took(self, status: int, trouble: str) -> None:
        """Count one answer; ``trouble`` is what ailed the line then."""
        self.by_status[status] += 1
        self.trouble = "" if status == Status.OK or status >= Status.EXCEPTION else trouble
