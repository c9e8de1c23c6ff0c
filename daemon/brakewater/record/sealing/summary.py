"""Minute, hour and day summaries, kept for good: least, mean, greatest, shares of quality, energy.

Each value counts from its scan to the next, three scans at most: what nobody saw is in no mean. A bucket that two
segments share has a row in both; their seconds are the weights to join them by.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from brakewater.quality import is_bad, is_good
from brakewater.record.durable import appearing
from brakewater.record.lock import make_folder
from brakewater.rig import Rig
from brakewater.stream import Block, Column, Floats, Ints
from brakewater.units import utc_text

BUCKETS: Final = {"minute": 60, "hour": 3600, "day": 86_400}
"""Seconds in each."""
_MOST_SCANS: Final = 3
_HEAT: Final = "_w"
_SUMS: Final = ("good_s", "uncertain_s", "bad_s", "weighted")
_SCHEMA: Final = pa.schema(
    [
        pa.field("utc", pa.timestamp("s", "UTC"), metadata={"says": "begin of the bucket"}),
        pa.field("run", pa.int64()),
        pa.field(
            "name", pa.string(), metadata={"says": "point, or brake and derived quantity; SI, temperatures in degC"}
        ),
        *(
            pa.field(name, pa.float32(), metadata={"says": "of good and uncertain"})
            for name in ("least", "mean", "most")
        ),
        *(pa.field(name, pa.float32(), metadata={"unit": "s"}) for name in ("good_s", "uncertain_s", "bad_s")),
        pa.field("energy_j", pa.float64(), metadata={"unit": "J", "says": "of powers: their integral"}),
    ]
)


class Summary:
    """Adds up one segment, minute by minute."""

    def __init__(self, rig: Rig) -> None:
        self._scan_ns = rig.scan_ns
        self._names: list[str] = []
        self._minutes: dict[int, dict[str, Floats]] = {}
        """Minute since 1970 -> least, most and sums, [Q] each."""
        self._held: tuple[Block, dict[str, Column]] | None = None

    def see(self, block: Block, columns: Mapping[str, Column]) -> None:
        """Take some scans into account; the last of them counts once the next ones are known."""
        if self._held is not None:
            self._add(*self._held, next_t_ns=int(block.t_ns[0]))
        self._held = (block, dict(columns))

    def finish(self) -> None:
        """The segment is at its end."""
        if self._held is not None:
            self._add(*self._held, next_t_ns=int(self._held[0].t_ns[-1]) + self._scan_ns)
        self._held = None

    def _add(self, block: Block, columns: dict[str, Column], next_t_ns: int) -> None:
        self._names = list(columns)
        lasting = np.diff(block.t_ns, append=next_t_ns)
        seconds = np.clip(lasting, 0, _MOST_SCANS * self._scan_ns) / 1e9
        minutes: Ints = block.utc_ns // 60_000_000_000
        cuts = np.flatnonzero(np.diff(minutes, prepend=minutes[0] - 1))
        parts = [_part(column, seconds, cuts) for column in columns.values()]
        for at, minute in enumerate(minutes[cuts].tolist()):
            self._join(minute, {key: np.array([part[key][at] for part in parts]) for key in parts[0]})

    def _join(self, minute: int, more: dict[str, Floats]) -> None:
        self._minutes[minute] = _joined(self._minutes[minute], more) if minute in self._minutes else more

    def write(self, folder: Path, run: int, utc_ns: int) -> None:
        """Write the three files, each whole or not at all.

        Args:
            folder: record folder.
            run: of the segment.
            utc_ns: its begin.

        Raises:
            OSError: the disk does not take them.
        """
        place = folder / "summaries" / Path(*utc_text(utc_ns)[:10].split("-"))
        make_folder(place)
        for bucket, seconds in BUCKETS.items():
            file = place / f"{run:08d}-{bucket}.parquet"
            with appearing(file) as part:
                pq.write_table(self._table(run, seconds), part, compression="zstd", compression_level=9)

    def _table(self, run: int, seconds: int) -> pa.Table:
        joined: dict[int, dict[str, Floats]] = {}
        for minute, sums in sorted(self._minutes.items()):
            begin = minute * 60 // seconds * seconds
            joined[begin] = _joined(joined[begin], sums) if begin in joined else sums
        rows = [row for begin, sums in joined.items() for row in self._rows(begin, run, sums)]
        return pa.Table.from_pylist(rows, schema=_SCHEMA)

    def _rows(self, begin: int, run: int, sums: dict[str, Floats]) -> list[dict[str, Any]]:
        rows = []
        for at, name in enumerate(self._names):
            least, most, weighted = (float(sums[key][at]) for key in ("least", "most", "weighted"))
            good, uncertain, bad = (float(sums[key][at]) for key in _SUMS[:3])
            known = good + uncertain
            row = {"utc": begin, "run": run, "name": name, "good_s": good, "uncertain_s": uncertain, "bad_s": bad}
            if known > 0:
                row |= {"least": least, "mean": weighted / known, "most": most}
                row["energy_j"] = weighted if name.endswith(_HEAT) else None
            rows.append(row)
        return rows


def _part(column: Column, seconds: Floats, cuts: Ints) -> dict[str, Floats]:
    """[B] figures of one column, a bucket each."""
    bad, good = is_bad(column.codes), is_good(column.codes)
    known = np.where(bad, 0.0, seconds)
    return {
        "least": np.minimum.reduceat(np.where(bad, np.inf, column.values), cuts),
        "most": np.maximum.reduceat(np.where(bad, -np.inf, column.values), cuts),
        "good_s": np.add.reduceat(np.where(good, seconds, 0.0), cuts),
        "uncertain_s": np.add.reduceat(np.where(bad | good, 0.0, seconds), cuts),
        "bad_s": np.add.reduceat(np.where(bad, seconds, 0.0), cuts),
        "weighted": np.add.reduceat(known * np.where(bad, 0.0, column.values), cuts),
    }


def _joined(one: dict[str, Floats], more: dict[str, Floats]) -> dict[str, Floats]:
    joined = {key: one[key] + more[key] for key in _SUMS}
    joined["least"], joined["most"] = np.minimum(one["least"], more["least"]), np.maximum(one["most"], more["most"])
    return joined
