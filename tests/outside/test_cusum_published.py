"""The one-sided CUSUM against average run lengths, k = 0.5 sigma.

Rows are computed by a Gauss-Legendre integral equation; h = 5 is the published table of Montgomery's textbook as
recalled (two-sided ARL0 465, 38.0, 17.0, 10.4, 5.75, 4.01). Here the same whole-number steps that the engine runs.
"""

import numpy as np
import pytest

from brakewater.physics.cusum import is_met, step

SIGMA = 1_000
PUBLISHED = {  # h, shift in sigma -> one-sided average run length
    (4, 0.0): 335.37,
    (4, 1.0): 8.38,
    (4, 2.0): 3.34,
    (5, 0.5): 38.01,
    (5, 1.0): 10.38,
    (5, 1.5): 5.75,
    (5, 2.0): 4.01,
}


def run_lengths(h: int, shift: float, runs: int, rng: np.random.Generator) -> np.ndarray:
    lengths = []
    for _ in range(runs):
        s = n = 0
        for x in np.rint((rng.standard_normal(20_000) + shift) * SIGMA).astype(int).tolist():
            s, n = step(s, x, SIGMA // 2, h * SIGMA), n + 1
            if is_met(s, h * SIGMA, before=False):
                break
        lengths.append(n)
    return np.array(lengths)


@pytest.mark.parametrize(("h", "shift"), PUBLISHED)
def test_average_run_length(h: int, shift: float) -> None:
    lengths = run_lengths(h, shift, 400 if shift == 0.0 else 1_500, np.random.default_rng(11))
    error = 3.5 * lengths.std() / np.sqrt(len(lengths))
    assert abs(lengths.mean() - PUBLISHED[h, shift]) < error + 0.02


def test_it_is_met_from_the_threshold_on_and_until_nothing_is_left() -> None:
    """As Page's test is stated: S >= h, here told on until S is back at 0."""
    assert [is_met(s, 10, before=False) for s in (0, 1, 9, 10, 11)] == [False, False, False, True, True]
    assert [is_met(s, 10, before=True) for s in (0, 1, 9, 10)] == [False, True, True, True]
    assert [step(s, x, 3, 10) for s, x in ((0, 2), (0, 5), (5, 1), (19, 9), (1, -50))] == [0, 2, 3, 20, 0]
