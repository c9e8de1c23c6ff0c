"""Samples of a record: what is thinned is the same however the record is cut into blocks."""

import numpy as np
import pytest

from brakewater.review.samples import _Maker
from brakewater.rig import load
from brakewater.stream import Floats
from streams import CONFIG

BRAKE = load(CONFIG / "rig-4-full.toml").brakes[0]
EVERY = 5


def kept(amps: Floats, step: int) -> list[float]:
    """The highest current since the sample before, of every fifth scan, read in blocks of ``step``."""
    maker, found = _Maker(BRAKE), []
    for at in range(0, len(amps), step):
        part = amps[at : at + step]
        keep = np.flatnonzero((at + np.arange(len(part))) % EVERY == 0)
        found += maker._most(part, keep)[keep].tolist()
    return found


@pytest.mark.parametrize("step", [1, 3, 5, 7, 64, 101])
def test_no_peak_between_two_samples_is_lost(step: int) -> None:
    amps = np.random.default_rng(3).uniform(0.0, 60.0, 101)
    amps[40:52] = np.nan
    wanted = [float(np.fmax.reduce(amps[max(0, at - EVERY + 1) : at + 1])) for at in range(0, 101, EVERY)]
    np.testing.assert_array_equal(kept(amps, step), wanted)
