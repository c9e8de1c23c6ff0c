"""What was checked how often, and each break of it, told at once."""

import sys
import time
from collections import Counter
from dataclasses import dataclass, field

_KEPT = 20

INVARIANTS = (
    "words genuine and of the request of their own scan", "no words where nothing was answered",
    "inputs: no hole, none twice", "a gap names what was lost", "steady time never falls",
    "labels tell the wall clock as it was",
    "between two scans, beyond what stopped it, under 2 s", "the newest scan is under 2 s old while it runs",
    "events: no number left out or used twice", "no flow in two scans, or unknown for 3 s: cooling lost is out",
    "cooling lost comes only with cause", "well again in each calm", "never ends by itself", "no defect in the log",
    "SIGTERM ends it with status 0",
    "memory grows by less than 5 MiB", "descriptors do not grow", "chain consistent", "replay identical",
    "broker took every event, in order, the same each time", "mirror has every point, and no other",
)  # fmt: skip

RARE = ("a gap names what was lost",)
"""It takes a disk that is full for longer than the watch holds inputs back."""
LASTING = ("memory grows by less than 5 MiB", "descriptors do not grow")
"""Of lives that are long enough for it,"""
LASTING_S = 720.0
"""of which a run of so long has some."""


@dataclass(kw_only=True)
class Tally:
    """Counts; may be used from several threads, where a lost count would not matter."""

    done: Counter[str] = field(default_factory=Counter)
    """Harms by side and kind."""
    checked: Counter[str] = field(default_factory=Counter)
    broken: Counter[str] = field(default_factory=Counter)
    told: list[str] = field(default_factory=list)
    figures: dict[str, str] = field(default_factory=dict)

    def check(self, invariant: str, holds: bool, what: object = "", times: int = 1) -> None:  # noqa: FBT001 - reads well
        """One look, or several that all held."""
        assert invariant in INVARIANTS, invariant
        self.checked[invariant] += times
        if not holds:
            self.broken[invariant] += 1
            if self.broken[invariant] <= _KEPT:
                text = f"{time.strftime('%H:%M:%S', time.gmtime())} {invariant}: {what}"
                self.told.append(text)
                print(f"BROKEN {text}", file=sys.stderr, flush=True)

    def unlooked(self, seconds: float) -> list[str]:
        """Invariants that nobody has looked at in a run of so long, though there was occasion: they prove nothing."""
        spared = RARE if seconds >= LASTING_S else (*RARE, *LASTING)
        return [name for name in INVARIANTS if not self.checked[name] and name not in spared]

    def table(self) -> str:
        """For people."""
        lines = [f"{'done to':<20}{'what':<18}{'times':>8}"]
        for key, count in sorted(self.done.items()):
            side, _, what = key.partition(": ")
            lines.append(f"{side:<20}{what:<18}{count:>8,}")
        lines += ["", f"{'invariant':<60}{'checked':>10}{'broken':>8}"]
        lines += [f"{name:<60}{self.checked[name]:>10,}{self.broken[name]:>8}" for name in INVARIANTS]
        lines += ["", *(f"{name}: {text}" for name, text in self.figures.items()), *self.told]
        return "\n".join(lines) + "\n"
