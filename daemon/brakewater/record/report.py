"""What checking a record finds."""

from dataclasses import dataclass, field
from typing import Literal

from brakewater.record.segment import Head
from brakewater.stream import Gap

Verdict = Literal["consistent", "signed", "anchored", "broken"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Altered:
    """One place where the record is not what was written."""

    file: str
    place: str
    """For example ``input 17``, ``events 3 to 5``, ``commit 12``."""
    says: str

    def __str__(self) -> str:
        return f"{self.file}: {self.place}: {self.says}"


@dataclass(slots=True, kw_only=True)
class Report:
    """What verification found."""

    runs: int = 0
    inputs: int = 0
    events: int = 0
    commits: int = 0
    gaps: list[Gap] = field(default_factory=list)
    altered: list[Altered] = field(default_factory=list)
    head: Head | None = None
    cut_off: bool = False
    """The newest run could not be read to its end, so ``head`` may not be how it ends."""
    missing: set[int] = field(default_factory=set)
    """Runs that the next one says it follows, and that are not there."""
    begins_after: int | None = None
    """The last of the runs that went before the oldest one, where no list of retention's has them all; else None."""
    worked_out: int = 0
    """Runs with full-rate values beside their words: worked out when they were sealed, and in no chain."""
    trimmed: list[int] = field(default_factory=list)
    """Runs before the oldest one and between others that retention has deleted, by its own list, which nobody signs."""
    retention: bool = False
    """A rig file in one of its runs asks for retention; looked for where a list says that runs were deleted."""
    keys: dict[str, int] = field(default_factory=dict)
    """Public key -> signatures by it that fit."""
    signed: Head | None = None
    """The newest head that a trusted key has signed."""
    anchored: Head | None = None
    """The newest head that was also found outside."""
    heads_outside: int = 0
    """Heads from outside that were found in the record."""
    listed: bool = False
    """It is a case file with a list of what it holds."""
    listed_by: str | None = None
    """Public key that signed that list; None where nobody did."""
    left_out: list[tuple[int, str]] = field(default_factory=list)
    """Run and reason: what could not be packed into the case file, as it says itself."""
    heads_elsewhere: int = 0
    """Heads from outside that lie before or after what this record holds."""

    def blame(self, file: str, place: str, says: str) -> None:
        """Note that something is not what was written."""
        self.altered.append(Altered(file=file, place=place, says=says))

    @property
    def verdict(self) -> Verdict:
        """``broken`` where anything is altered; ``signed`` goes before ``anchored``, and the report holds both."""
        if self.altered:
            return "broken"
        if self.signed is not None:
            return "signed"
        return "anchored" if self.anchored is not None else "consistent"
