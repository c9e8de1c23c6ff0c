"""One row a benchmark: a figure, the floor it is measured against in the same run, their ratio, and the target."""

import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from time import perf_counter


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """The outcome of one benchmark."""

    what: str
    ours: str
    floor: str
    ratio: float
    target: float
    at_least: bool = False
    """The ratio should be at least the target; otherwise at most."""

    @property
    def met(self) -> bool:
        """Whether the target is met on this machine, in this run."""
        return self.ratio >= self.target if self.at_least else self.ratio <= self.target

    def __str__(self) -> str:
        sign = ">=" if self.at_least else "<="
        verdict = "met" if self.met else "NOT MET"
        return (
            f"{self.what:<46} {self.ours:>22} {self.floor:>22} {self.ratio:>8.2f}  {sign} {self.target:<6g} {verdict}"
        )


HEAD = f"{'figure':<46} {'ours':>22} {'floor':>22} {'ratio':>8}  target"


def seconds(work: Callable[[], object]) -> float:
    """How long one call takes."""
    began = perf_counter()
    work()
    return perf_counter() - began


def paired(ours: Callable[[], object], floor: Callable[[], object], runs: int = 5) -> tuple[float, float, float]:
    """Median seconds of ours and of the floor, run in turn, and the median of their pairwise ratios."""
    return medians([(seconds(ours), seconds(floor)) for _ in range(runs)])


def medians(pairs: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """Median of ours, of the floor, and of their ratios pair by pair."""
    return (
        statistics.median(a for a, _ in pairs),
        statistics.median(b for _, b in pairs),
        statistics.median(a / b for a, b in pairs),
    )
