"""4-20 mA loops and what NAMUR NE 43 says about their current.

    up to 3.6 mA     failure, low          3.6 to 3.8     neither: under range, uncertain
    3.8 to 20.5      measurement           20.5 to 21.0   neither: over range, uncertain
    from 21.0 mA     failure, high

Source: NE 43 as quoted by public instrument references; the paid recommendation itself was not read.
"""

from typing import TypeVar

import numpy as np

from brakewater.quality import Codes, Reason
from brakewater.stream import Floats

FAILED_LOW_MA = 3.6
MEASURES_FROM_MA = 3.8
MEASURES_TO_MA = 20.5
FAILED_HIGH_MA = 21.0

LIMIT_WIDTH_MA = 1e-6
"""Half width of a limit. A current meant to stand exactly on a limit comes out of binary arithmetic, or of a float32
register, a little beside it; this width keeps it on the limit: 3.6 and 21.0 failed, 3.8 and 20.5 good. One count of a
16-bit input is 300 times wider, so no other count is touched."""


_Numbers = TypeVar("_Numbers", float, Floats)


def milliamps(raw: _Numbers, raw_at_4: float, raw_at_20: float) -> _Numbers:
    """Loop current in mA for raw counts, linear through 4 and 20 mA and beyond; element-wise, or of one number.

    Args:
        raw: counts.
        raw_at_4: counts at 4 mA.
        raw_at_20: counts at 20 mA; must differ from ``raw_at_4``.
    """
    return 4.0 + 16.0 * ((raw - raw_at_4) / (raw_at_20 - raw_at_4))


def measures(ma: float) -> bool:
    """Whether one loop current in mA is plainly a measurement; False for NaN."""
    return MEASURES_FROM_MA - LIMIT_WIDTH_MA <= ma <= MEASURES_TO_MA + LIMIT_WIDTH_MA


def codes(ma: Floats) -> Codes:
    """Reason code of each loop current in mA; NaN and infinities are ``NOT_A_NUMBER``. Element-wise, any shape."""
    fine = (ma >= MEASURES_FROM_MA - LIMIT_WIDTH_MA) & (ma <= MEASURES_TO_MA + LIMIT_WIDTH_MA)
    if np.count_nonzero(fine) == fine.size:  # the common case
        return np.zeros(fine.shape, np.uint8)
    conditions = [
        ~np.isfinite(ma),
        ma <= FAILED_LOW_MA + LIMIT_WIDTH_MA,
        ma >= FAILED_HIGH_MA - LIMIT_WIDTH_MA,
        ma < MEASURES_FROM_MA - LIMIT_WIDTH_MA,
        ma > MEASURES_TO_MA + LIMIT_WIDTH_MA,
    ]
    reasons = [Reason.NOT_A_NUMBER, Reason.LOOP_LOW, Reason.LOOP_HIGH, Reason.UNDER_RANGE, Reason.OVER_RANGE]
    return np.select(conditions, [np.uint8(reason) for reason in reasons], default=np.uint8(Reason.GOOD))
