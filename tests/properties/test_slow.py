"""Whole trips with everything on, cut anywhere: equal to the last bit; over a snapshot as well."""

import numpy as np
import pytest

import streams
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.scenarios import SCENARIOS

RIG = streams.demo()


@pytest.mark.parametrize("name", ["pump-loss", "plc-silent", "hot-day"])
def test_a_trip_in_any_cut(name: str) -> None:
    (block,) = blocks(SCENARIOS[name], RIG, seconds=170.0, chunk=10_000)
    begin = start_of(RIG)
    wanted = streams.play([begin, block])
    rng = np.random.default_rng(3)
    ends = np.unique(np.concatenate((rng.integers(1, len(block), 60), [1, 2, 4, 5, 6, len(block)]))).tolist()
    parts = [block.cut(first, last) for first, last in zip([0, *ends[:-1]], ends, strict=True)]
    found = streams.play([begin, *parts])
    assert found.events == wanted.events
    assert found.numbers() == wanted.numbers()
    assert found.state == wanted.state


def test_a_snapshot_goes_on_to_the_same_numbers() -> None:
    (block,) = blocks(SCENARIOS["hot-day"], RIG, seconds=170.0, chunk=10_000)
    first, last = block.cut(0, 333), block.cut(333, len(block))
    whole = streams.play([start_of(RIG), first])
    again = streams.start(RIG, run=1, t_ns=int(first.t_ns[-1]), snapshot=whole.state)
    restored, through = streams.play([again, last]), streams.play([start_of(RIG), first, last])
    assert restored.state == through.state
    assert len(whole.state) < 64 * 1024
