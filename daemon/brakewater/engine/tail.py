"""The last few groups of a column, carried from block to block so that a window may reach back over the edge."""

from typing import Any

import numpy as np

from brakewater.stream import Floats


class Tail:
    """Of a few columns of floats, the last ``length`` groups."""

    def __init__(self, length: int, *fill: float) -> None:
        """Before anything was seen each column holds its ``fill``."""
        self._length = length
        self._rows = np.repeat(np.array(fill).reshape(-1, 1), length, axis=1)

    def extended(self, *columns: Floats) -> Floats:
        """[columns, length + m]: what was carried, then the [m] new ones; the newest are carried on."""
        rows = np.concatenate((self._rows, np.array(columns)), axis=1)
        self._rows = rows[:, rows.shape[1] - self._length :]
        return rows

    def state(self) -> Any:
        """What a snapshot keeps."""
        return self._rows.tolist()

    def restore(self, kept: Any) -> None:
        """Go on from a snapshot."""
        self._rows = np.array(kept, np.float64)
