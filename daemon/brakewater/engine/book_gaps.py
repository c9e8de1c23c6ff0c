"""The air gaps that the mechanic has measured, brake by brake since its baseline, and where they lead."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

from brakewater.physics.gap import HORIZON_S, Limits, Outlook, Survey, outlook, torque_share
from brakewater.stream import GapNow

_MOST_SURVEYS: Final = 24


class Gaps:
    """Of one rig."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._surveys: dict[str, list[tuple[str, Survey]]] = {}
        """By brake: entry and what it said, in the order of the work."""
        self._outlooks: dict[str, Outlook | None] = {}

    def add(self, brake: str, entry: str, survey: Survey) -> None:
        """A further survey."""
        surveys = self._surveys.setdefault(brake, [])
        surveys.append((entry, survey))
        surveys.sort(key=lambda one: one[1].t_s)
        del surveys[:-_MOST_SURVEYS]
        self._look_ahead(brake)

    def strike(self, entry: str) -> None:
        """That entry counts no more."""
        for brake, surveys in self._surveys.items():
            surveys[:] = [one for one in surveys if one[0] != entry]
            self._look_ahead(brake)

    def begin_anew(self, brake: str) -> None:
        """What was measured before is no trend of what is there now."""
        self._surveys.pop(brake, None)
        self._look_ahead(brake)

    def _look_ahead(self, brake: str) -> None:
        self._outlooks[brake] = outlook(self.of(brake)[0], self._limits)

    def of(self, brake: str) -> tuple[tuple[Survey, ...], Outlook | None]:
        """The surveys of a brake since its baseline, and where they lead."""
        return tuple(one for _, one in self._surveys.get(brake, ())), self._outlooks.get(brake)

    def share(self, brake: str) -> float:
        """Of what the gap may drift, used up thirty days ahead; 0 where nobody has measured."""
        ahead = self._outlooks.get(brake)
        return 0.0 if ahead is None else ahead.share

    def now(self, brake: str) -> GapNow | None:
        """How it stands; None where nobody has measured."""
        surveys, ahead = self.of(brake)
        if not surveys or ahead is None:
            return None
        newest, mean = surveys[-1], ahead.mean
        at_s = newest.t_s + HORIZON_S
        interval = None if mean is None else mean.interval(at_s)
        return GapNow(
            brake=brake,
            surveys=len(surveys),
            mean_m=newest.mean_m,
            least_m=newest.least_m,
            most_m=newest.most_m,
            spread_m=newest.spread_m,
            torque_share=torque_share(newest.mean_m, self._limits.nominal_m),
            share=ahead.share,
            mean_ahead_m=None if mean is None or interval is None else (interval[0], mean.at(at_s), interval[1]),
            drifts=any(one is not None and one.is_sure for one in (ahead.mean, ahead.most, ahead.least)),
        )

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            brake: [[entry, *asdict(one).values()] for entry, one in surveys]
            for brake, surveys in self._surveys.items()
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from a snapshot; limits are those of now."""
        fields = Survey.__slots__
        for brake, surveys in state.items():
            self._surveys[brake] = [
                (entry, Survey(**dict(zip(fields, numbers, strict=True)))) for entry, *numbers in surveys
            ]
            self._look_ahead(brake)
