"""Which alarms the version had that recorded a run, and what that means for a comparison with today's.

A Start names the alarms that its version watched, and the engine leaves out the others. One of before that was noted
does not; its snapshot does so where the rig file was the same before it, as the version that wrote the Start made it.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from brakewater.stream import Event, Start


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    version: str
    left_out: tuple[str, ...]
    """Keys of alarms that the engine left out."""
    had: frozenset[str] | None
    """Keys of all alarms there were, as the snapshot tells; None where it need not tell."""


@dataclass(slots=True)
class Past:
    """Fills up as a replay goes through the runs."""

    _runs: dict[int, _Run] = field(default_factory=dict)
    _rig_toml: str = ""

    def begin(self, start: Start, left_out: tuple[str, ...]) -> None:
        """A run begins."""
        told = start.alarms is None and bool(start.snapshot) and start.rig_toml == self._rig_toml
        had = frozenset(json.loads(start.snapshot)["alarms"]) if told else None
        self._runs[start.run] = _Run(version=start.version, left_out=left_out, had=had)
        self._rig_toml = start.rig_toml

    def version(self, run: int) -> str:
        """That recorded a run."""
        return self._runs[run].version if run in self._runs else "unknown"

    def newer(self, run: int, replayed: Iterable[Event], recorded: Iterable[Event]) -> frozenset[str]:
        """Keys of the alarms that moved in the replay and did not exist when the run was recorded."""
        had = self._runs[run].had if run in self._runs else None
        if had is None:
            return frozenset()
        return frozenset({one.key for one in replayed} - had - {one.key for one in recorded})

    def says_newer(self, run: int, keys: Iterable[str]) -> str:
        """That a run differs in alarms alone that are new by now."""
        return (
            f"{', '.join(sorted(keys))}: not yet in version {self.version(run)}, which recorded run {run}; the rest of"
            " the run is identical, but for first-out and what follows from what, which one more alarm may change"
        )

    def left_out(self) -> list[str]:
        """What the engine left out, and of which runs."""
        runs = dict[tuple[str, str], list[int]]()
        for run, one in self._runs.items():
            for key in one.left_out:
                runs.setdefault((key, one.version), []).append(run)
        return [
            f"{key}: not yet in version {version}, which recorded run {', '.join(map(str, found))}"
            for (key, version), found in runs.items()
        ]


def without(events: Sequence[Event], keys: frozenset[str]) -> list[Event]:
    """The events of other alarms, numbered anew, without what one alarm more may change of another's."""
    rest = (event for event in events if event.key not in keys)
    return [replace(event, n=n, first_out=False, cause=None) for n, event in enumerate(rest, 1)]
