"""What the engine makes of an input is let go as soon as nobody looks at it, not when a collector comes by."""

import gc
from collections.abc import Iterator

import pytest

import streams
from brakewater.engine import Engine
from brakewater.stream import Block

RIG = streams.demo()


@pytest.fixture
def collected_before() -> Iterator[None]:
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def inputs() -> list[Block]:
    """A lone scan at a time, then whole blocks; an alarm comes and goes in both."""
    found, first = [], 1
    for n, flow in [(1, 0.005)] * 5 + [(1, 0.0)] * 5 + [(200, 0.005), (200, 0.0), (200, 0.005)]:
        found.append(streams.scans(RIG, n, first=first, values={"aux-flow": flow}))
        first += n
    return found


@pytest.mark.usefixtures("collected_before")
def test_no_scan_leaves_a_circle_behind() -> None:
    engine, blocks = Engine(), inputs()
    engine.feed(streams.start(RIG))
    gc.collect()
    for block in blocks:
        outcome = engine.feed(block)
        assert len([outcome.derived[key] for key in outcome.derived]) > 0  # each is worked out when asked for
        engine.picture()
    del outcome
    assert gc.collect() == 0
