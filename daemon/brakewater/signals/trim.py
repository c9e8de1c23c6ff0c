"""As-left trim: the small correction a loop check leaves, kept apart from the range.

The range says how the transmitter is set; the trim says how far it was found beside that. Kept apart, a recalibrated
transmitter loses its trim without anyone having to remember what the range was.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.quality import Codes, Reason, is_bad
from brakewater.signals import require
from brakewater.stream import Floats

_LEAST_GAIN, _MOST_GAIN = 0.8, 1.25
_MOST_OFFSET: Final = 1e12  # in SI of any quantity; what is sensible depends on the range, which is not known here


@dataclass(frozen=True, slots=True, kw_only=True)
class Trim:
    """true value = gain * value + offset, in SI (temperatures in degC), after the conversion."""

    gain: float = 1.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        advice = "a larger correction is no trim: mend the range"
        require.between("gain", self.gain, _LEAST_GAIN, _MOST_GAIN, advice)
        require.between("offset", self.offset, -_MOST_OFFSET, _MOST_OFFSET, advice)


def trimmed(trim: Trim, values: Floats, codes: Codes) -> tuple[Floats, Codes]:
    """[n] values put right and their codes; a bad value stays 0.0, and one that overflows is ``NOT_A_NUMBER``."""
    with np.errstate(over="ignore"):
        right = trim.gain * values + trim.offset
    told = np.where(is_bad(codes) | np.isfinite(right), codes, np.uint8(Reason.NOT_A_NUMBER))
    return np.where(is_bad(told), 0.0, right), told
