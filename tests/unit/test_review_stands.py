"""Stands where the hoist can be read for a part of the record alone, or its load is away for a moment."""

from dataclasses import replace
from itertools import chain

import numpy as np
import pytest

from brakewater.review.replay import Tally
from brakewater.review.samples import TOTALS, VALUES, Sampled, Samples
from brakewater.review.stands import stands_of, steady
from brakewater.review.trips import ledger_of
from brakewater.stream import TESTED
from hoist_parts import EMPTY_N, FULL_N, S, lowered, pulse, still
from rig_parts import demo_rig, event


def samples(hoist: list[tuple[float, float]], heat: list[float]) -> Samples:
    count = max(len(hoist), len(heat))
    number = np.arange(count, dtype=np.int64)
    load, block, warm = np.full((3, count), np.nan)
    for at, (one, other) in enumerate(hoist):
        load[at], block[at] = one, other
    warm[: len(heat)] = heat
    values = {"load_n": load, "block_m": block, "heat_w": warm}
    return Samples(t_ns=number * S, utc_ns=number * S, run=number * 0 + 1, input=number, values=values, totals={})


def ways(found: Samples) -> list[str]:
    return ["heat" if stand.way_m is None else "hoist" for stand in stands_of(found)]


HEAT = [5e3] * 300 + pulse(500e3, 80e3) * 20 + [5e3] * 300


def test_one_readable_second_of_the_hoist_hides_no_trip_that_heat_tells() -> None:
    unread = [(np.nan, np.nan)] * 1000
    assert ways(samples([*unread, (EMPTY_N, 20.0)], HEAT)) == ways(samples([], HEAT)) == ["heat"] * 20


def test_each_part_is_told_by_what_can_be_read_of_it() -> None:
    hoist = [(np.nan, np.nan)] * len(HEAT) + [
        *still(5, EMPTY_N, 29.7),
        *still(6, FULL_N, 30.0),
        *chain(*[lowered()] * 5),
    ]
    found = samples(hoist, HEAT + pulse(500e3, 80e3) * 6)
    assert ways(found) == ["heat"] * 20 + ["hoist"] * 5


def test_a_short_gap_of_the_hoist_is_none_of_heats() -> None:
    hoist = list(chain(*[lowered()] * 10))
    hoist[500:700] = [(np.nan, np.nan)] * 200
    assert set(ways(samples(hoist, pulse(500e3, 80e3) * 12))) == {"hoist"}


@pytest.mark.parametrize("value", [0.0, 5e6])
@pytest.mark.parametrize("at", [3, 15, 28])
def test_a_load_that_is_away_before_the_first_slips_hides_no_stand(at: int, value: float) -> None:
    hoist = list(chain(*[lowered()] * 6))
    hoist[at : at + 2] = [(value, block) for _, block in hoist[at : at + 2]]
    assert ways(samples(hoist, [])) == ["hoist"] * 6


def test_slips_and_a_string_set_going_are_no_glitch() -> None:
    load = np.array([620e3, 555e3, 550e3, 556e3, *[600e3] * 22, *[200e3] * 60, *[600e3] * 30])
    assert steady(load, np.arange(len(load)) * S).all()


def test_what_was_silenced_changed_or_asked_again_was_raised_once() -> None:
    """And what was tested not at all."""
    made = samples(list(chain(*[lowered()] * 6)), [])
    nothing = np.full(len(made.t_ns), np.nan)
    whole = replace(
        made, values=dict.fromkeys(VALUES, nothing) | made.values, totals=dict.fromkeys(TOTALS, made.t_ns * 0)
    )
    stood, seen = {"was": "unacknowledged"}, {"was": "acknowledged"}
    moves = [{}, {**stood, "why": "silence"}, {**stood, "why": "set"}, {**seen, "why": "re-alarm"}, {"why": TESTED}]
    events = [event(n, number=60 + n, **move) for n, move in enumerate(moves, 1)]
    rig = demo_rig()
    found = Sampled(rig=rig, brakes={"aux": whole}, events=events, tally=Tally(), of={"aux": rig.brakes[0]})
    (line,) = ledger_of(found).lines
    assert line.alarms == (("cooling-flow-low", 1),)
