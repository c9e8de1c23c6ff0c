"""How the daemon's own points lie in the scans of runs that were recorded before a Start said so."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from brakewater.errors import DamagedRecordError, RigFileError
from brakewater.record.hot import MALFORMED
from brakewater.record.rows import Widths
from brakewater.record.segment import read_widths, reading
from brakewater.rig import layout_before, parse
from brakewater.stream import Input, Start

_T = TypeVar("_T", bound=Input)


def with_layout(item: _T, widths_of: Callable[[], Widths | None]) -> _T:
    """A Start that does not say its layout with the one that the width of its run's scans tells; else the same.

    Args:
        item: any input.
        widths_of: reads how wide the scans of its segment are, where that is needed; None where it holds none.

    Raises:
        StorageError: the segment says no more how wide its scans are.
    """
    if not isinstance(item, Start) or item.own is not None:
        return item
    widths = widths_of()
    if widths is None:
        return item
    try:
        rig = parse(item.rig_toml, f"run {item.run}")
    except RigFileError:  # whoever needs it will say so
        return item
    return replace(item, own=layout_before(rig, widths.words, widths.points))


def hot_widths(file: Path) -> Widths | None:
    """How wide the scans of a hot segment are; None where it holds none.

    Raises:
        StorageError: the segment does not say.
    """
    with reading(file) as base:
        try:
            return read_widths(base)
        except MALFORMED as error:
            raise DamagedRecordError(f"{file}: meta: {error}") from error
