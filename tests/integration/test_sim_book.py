"""A brake that the simulator wears, in the book: torque falls as the gap's square grows, heat passes scale badly."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from brakewater.book_shown import book_doc
from brakewater.engine import Engine
from brakewater.rig import Rig, parse
from brakewater.stream import BookNow
from brakewater_sim.offline import blocks, start_of
from brakewater_sim.profile import constant
from brakewater_sim.scenarios import SCENARIOS
from brakewater_sim.wear import BUILT_M, Wear

CONFIG = Path(__file__).parents[2] / "config"
APART_NS = 3 * 3_600_000_000_000
TRIPS_H = (0.0, 0.6e12, 1.2e12, 1.8e12)
"""Heat carried off before each trip, J."""
WEAR = Wear(scale_m_j=0.08 * BUILT_M / 0.6e12, eroded=1.0)


def played(conditions: Sequence[Mapping[str, float]]) -> tuple[Rig, BookNow]:
    """The book after one trip under each of the plant's conditions, in turn."""
    rig = parse(f"{(CONFIG / 'rig-4-full.toml').read_text(encoding='utf-8')}\n[upkeep]\n", "rig")
    engine, sound = Engine(), constant(1.0)
    for run, one in enumerate(conditions, 1):
        trip = replace(
            SCENARIOS["demo"], length_s=700.0, pump=sound, pace=sound, blockage=constant(0.0), expected=(),
            conditions={name: (constant(value),) for name, value in one.items()},
        )  # fmt: skip
        shift = (run - 1) * APART_NS
        kept = engine.state() if run > 1 else b""
        engine.feed(replace(start_of(rig), run=run, t_ns=shift, snapshot=kept))
        for block in blocks(trip, rig, seed=run):
            engine.feed(replace(block, run=run, t_ns=block.t_ns + shift, utc_ns=block.utc_ns + shift))
    book = engine.book()
    assert book is not None
    return rig, book


@pytest.mark.timeout(300)
def test_the_torque_index_of_each_trip_follows_the_gap() -> None:
    worn = [WEAR.health(heat_j) for heat_j in TRIPS_H]
    rig, book = played([{"gap": one.gap, "scale_m": one.scale_m} for one in worn])
    shown = book_doc(rig, book)
    index = [one["torque_index"] for one in shown["trips"]]
    assert [one["trip"] for one in shown["trips"]] == [1, 2, 3, 4]
    for heat_j, told in zip(TRIPS_H, index, strict=True):
        assert told / index[0] == pytest.approx(1.0 / WEAR.health(heat_j).gap ** 2, rel=0.03)
    (torque,) = shown["torque"]
    assert torque["trips"] == 4
    assert torque["slope_per_trip"] is not None
    assert torque["slope_per_trip"] < -0.05


@pytest.mark.timeout(300)
def test_scale_on_the_rotor_shows_in_the_trips_beside_the_water() -> None:
    """The plant has a rotor of four nodes and another law of flow, so what is read is an estimate.

    A tenth of a millimetre adds 43 % to the resistance from skin to water in this plant, three add 130 %: read is a
    part of it, since a stand is too short for all of the iron. Four trips are enough for a trend.
    """
    rig, book = played([{"scale_m": scale_m} for scale_m in (0.0, 1e-4, 2e-4, 3e-4)])
    read = [one.rotor_to_water for one in book.by_trip]
    assert None not in read
    (clean, tenth, _, three) = [one or 0.0 for one in read]
    assert clean == pytest.approx(1.0, abs=0.25)  # the rotor's stated accuracy of 20 %, and a little
    assert 1.15 < tenth / clean < 1.43
    assert 1.5 < three / clean < 2.3
    (passes,) = book_doc(rig, book)["passes"]
    assert passes["slope_per_trip"] > 0.0
