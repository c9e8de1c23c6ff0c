"""The regions of a scan that comes alone: what an alarm saw in the scan before, it is not held against again.

A column is never written to, so the same column falls into the same region; only what is new is looked at, by the same
comparisons as a block's (``regions.Scale``), on Python's own numbers.
"""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from typing import Final

from brakewater.alarms.condition import CLEAR
from brakewater.engine.judged import Met
from brakewater.engine.regions import Scale
from brakewater.quality import Reason, is_bad_code
from brakewater.stream import Column

Judge = Callable[[Mapping[str, Column]], Met]
_SILENT: Final = int(Reason.NO_ANSWER)


class _Noting(Mapping[str, Column]):
    """Columns by name, with note taken of those that somebody asks for."""

    def __init__(self, of: Mapping[str, Column]) -> None:
        self._of = of
        self.asked: dict[str, Column] = {}

    def __getitem__(self, name: str) -> Column:
        column = self.asked[name] = self._of[name]
        return column

    def __iter__(self) -> Iterator[str]:
        return iter(self._of)

    def __len__(self) -> int:
        return len(self._of)


class Judged:
    """One judgement, made again only where a column that it asked for is another one."""

    def __init__(self, judge: Judge) -> None:
        self._judge = judge
        self._asked: dict[str, Column] = {}

    def anew(self, seen: Mapping[str, Column]) -> tuple[float, int] | None:
        """Value and code of a lone scan; None where it would be as before."""
        if self._asked and all(seen[name] is column for name, column in self._asked.items()):
            return None
        noting = _Noting(seen)
        values, codes = self._judge(noting)
        self._asked = noting.asked
        return float(values.item()), int(codes.item())


class Glance:
    """The regions of all alarms of a rig at the last scan that came alone, before any gate."""

    def __init__(self, scale: Scale, count: int) -> None:
        self._scale = scale
        self._columns: list[Column | None] = [None] * count
        self.regions = bytearray([CLEAR] * count)

    def see(self, row: int, column: Column) -> None:
        """An alarm that looks at one column."""
        if column is not self._columns[row]:
            self._columns[row] = column
            self.put(row, column.values.item(), column.codes.item())

    def put(self, row: int, value: float, code: int) -> None:
        """An alarm whose value and code are known to be new."""
        self.regions[row] = self._scale.region(row, value, code)

    def judge(self, row: int, judged: Judged, seen: Mapping[str, Column]) -> None:
        """An alarm that comes from several columns together."""
        if (met := judged.anew(seen)) is not None:
            self.put(row, *met)


class Points:
    """The alarms of bad and of doubtful points."""

    def __init__(self, names: Sequence[str], device: Mapping[str, str], rows: tuple[dict[int, int], ...]) -> None:
        """Of the named points; ``rows``: of bad and of doubtful ones the alarm, by the point's place among them."""
        bad, doubtful = rows
        self._of = [(name, device[name], bad.get(at), doubtful.get(at)) for at, name in enumerate(names)]
        self._before = [(-1, False)] * len(self._of)
        """Of each the code of the last lone scan, and whether its device was blind."""

    def look(self, glance: Glance, readings: Mapping[str, Column], blind: Collection[str]) -> None:
        """A silent or stuck device has an alarm of its own, so nothing is known of its points then."""
        for at, (name, device, bad, doubtful) in enumerate(self._of):
            now = code, is_blind = readings[name].codes.item(), device in blind
            if now == self._before[at]:
                continue
            self._before[at] = now
            if bad is not None:
                glance.put(bad, float(is_bad_code(code)), _SILENT if is_blind else 0)
            if doubtful is not None:
                glance.put(doubtful, float(code > 0 and not is_bad_code(code)), 0)
