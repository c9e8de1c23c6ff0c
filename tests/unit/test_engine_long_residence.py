"""Water that stood in the housing for longer than is remembered: the same numbers however the stream is cut."""

import numpy as np
import pytest

from brakewater.engine import Engine
from brakewater.rig import parse
from brakewater.stream import Floats, Start
from streams import DEMO, UTC, scans

RIG = parse(DEMO.read_text().replace('scan = "200 ms"', 'scan = "1 s"'))


def heat(size: int) -> Floats:
    """Lag-free heat over ten minutes of flow, ten of none, ten of flow, in blocks of so many scans."""
    flow = np.full(1800, 5.6e-3)
    flow[600:1200] = 0.0
    inlet = 25.0 + 2.0 * np.sin(np.arange(1800) / 40.0)
    stream = scans(RIG, 1800, values={"aux-flow": flow, "aux-inlet": inlet})
    engine, found = Engine(), []
    engine.feed(Start(run=1, t_ns=0, utc_ns=UTC, boot="b", version="0", rig_toml=RIG.text, own=RIG.own))
    for at in range(0, 1800, size):
        outcome = engine.feed(stream.cut(at, min(at + size, 1800)))
        found.append(np.array(outcome.derived["aux", "heat_lag_free_w"].values))
    return np.concatenate(found)


@pytest.mark.parametrize("size", [1, 97, 700])
def test_the_same_water_is_found_again(size: int) -> None:
    np.testing.assert_array_equal(heat(size), heat(1800))
