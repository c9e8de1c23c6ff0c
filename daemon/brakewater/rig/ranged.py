"""A rig with another range of one point's signal, as its file would give it."""

import tomllib
from dataclasses import replace

from brakewater.rig.conditioning import Accuracy, worst
from brakewater.rig.model import Point, Rig
from brakewater.rig.point_stages import usual_of_span
from brakewater.rig.points_csv import raw_points
from brakewater.rig.spread import spread_of
from brakewater.signals.convert import CurrentLoop, Linear


def ranged(rig: Rig, point: Point, signal: CurrentLoop | Linear) -> Rig:
    """The rig whose point has a signal of another range.

    What the sensor may be off by goes with the range, unless the file says it.

    Args:
        rig: has the point.
        point: with its old range.
        signal: with the new one.
    """
    parts = tuple(Accuracy(fixed=fixed, share=share) for fixed, share in point.spread.limits)
    if parts and not _is_said(rig, point):
        parts = (usual_of_span(signal), *parts[1:])
    made = replace(point, signal=signal, accuracy=worst(parts), spread=spread_of(point.register, signal, parts))

    def with_it(points: tuple[Point, ...]) -> tuple[Point, ...]:
        return tuple(made if one.name == point.name else one for one in points)

    redundant = tuple(replace(one, points=with_it(one.points)) for one in rig.redundant)
    return replace(rig, points=with_it(rig.points), redundant=redundant)


def _is_said(rig: Rig, point: Point) -> bool:
    """Whether the rig file gives the point's accuracy."""
    return any(
        table.get("name") == point.name and "accuracy" in table for _, table in raw_points(tomllib.loads(rig.text))
    )
