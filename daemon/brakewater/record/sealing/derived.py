"""What the engine makes of a closed segment, in one pass: full-rate values for its scans, and summaries."""

import logging
from collections.abc import Mapping
from typing import Final

import numpy as np

from brakewater.engine import Engine
from brakewater.quality import is_bad
from brakewater.record.sealed.table import Extra
from brakewater.record.sealed.write import Options
from brakewater.record.sealing.summary import Summary
from brakewater.render import dimension_of_derived, dimension_of_point
from brakewater.rig import SELF, Rig
from brakewater.stream import Block, Column, Floats, Input, Outcome
from brakewater.units import Dimension

RESOLUTION: Final[Mapping[Dimension, float]] = {
    Dimension.FLOW: 2.0**-22,  # 0.004 gal/min
    Dimension.TEMPERATURE: 2.0**-8,
    Dimension.DIFFERENCE: 2.0**-8,
    Dimension.SPEED: 2.0**-18,  # 4 um/s of a level
    Dimension.POWER: 2.0**6,
    Dimension.ENERGY: 2.0**10,
    Dimension.TIME: 2.0**-4,
    Dimension.NUMBER: 2.0**-12,
}
"""What derived full-rate values are rounded to, SI: far below the uncertainty of any of them, and said by each column.

The digits below are noise and cost two thirds of the room. Powers of two leave the last bits of a float empty, so that
they pack well. The values of points are as exact as a float32 holds them.
"""

_log = logging.getLogger(__name__)


class Derived:
    """Runs along while a segment is written. What breaks it costs values and summary, never the record."""

    def __init__(self, rig: Rig, *, values: bool) -> None:
        """Begin with the segment's Start.

        Args:
            rig: of the segment.
            values: whether full-rate values are wanted.
        """
        self._engine: Engine | None = Engine()
        self._abouts = _abouts(rig) if values else {}
        self.summary = Summary(rig)

    def options(self) -> Options:
        """What the writer of the segment needs."""
        return Options(names=self._abouts, values=self._feed)

    def _feed(self, item: Input) -> Extra:
        columns: dict[str, Column] = {}
        try:
            if self._engine is not None:
                outcome = self._engine.feed(item)
                columns = named(outcome) if isinstance(item, Block) else {}
        except Exception as error:  # noqa: BLE001 - an old run that this version cannot run is sealed all the same
            _log.warning("run %d: no values and no summary from here on: %r", item.run, error)
            self._engine = None
        if not isinstance(item, Block):
            return {}
        if columns:
            self.summary.see(item, columns)
        return _extra(self._abouts, columns, len(item))


def named(outcome: Outcome) -> dict[str, Column]:
    """Name -> column of every reading and derived quantity: ``aux-flow``, ``aux.heat_w``."""
    return {**outcome.readings, **{f"{brake}.{name}": column for (brake, name), column in outcome.derived.items()}}


def _extra(abouts: Mapping[str, dict[str, str]], columns: Mapping[str, Column], n: int) -> Extra:
    found = {}
    for name, about in abouts.items():
        column = columns.get(name.removesuffix(".value"))
        values: Floats = np.full(n, np.nan)
        if column is not None:
            values = np.where(is_bad(column.codes), np.nan, column.values)
        if "resolution" in about:
            step = float(about["resolution"])
            values = np.round(values / step) * step + 0.0  # no -0.0
        found[name] = (values, about)
    return found


def _abouts(rig: Rig) -> dict[str, dict[str, str]]:
    """Columns of full-rate values: points by their name with ``.value``, derived quantities under their own."""
    from brakewater.engine.derive import derived_of  # noqa: PLC0415 - only where wanted

    points = {
        f"{point.name}.value": {"unit": dimension_of_point(point).value, "role": point.role, "says": "null: bad"}
        for point in rig.points
        if point.device != SELF
    }
    derived = {
        f"{brake.name}.{name}": _about_derived(brake.name, dimension_of_derived(name))
        for brake in rig.brakes
        for name in derived_of(rig, brake)
        if "_std" not in name  # noise that costs room, and follows from the rest
    }
    return points | derived


def _about_derived(brake: str, dimension: Dimension) -> dict[str, str]:
    about = {"unit": dimension.value, "brake": brake, "says": "null: bad"}
    return about | ({"resolution": repr(RESOLUTION[dimension])} if dimension in RESOLUTION else {})
