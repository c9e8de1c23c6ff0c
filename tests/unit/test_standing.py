"""What stood already when a window of a record begins."""

from pathlib import Path

import pytest

import streams
from brakewater.engine import Engine
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.review.standing import standing

RIG = streams.demo()
SECOND = 1_000_000_000
DRY = {"aux-flow": 0.0, "pump-running": 0.0}
DAY = 24 * 3600 * SECOND


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run 1: 20 s calm, 40 s without water, 20 s calm and 20 s without. Run 2, ten minutes later, goes on without."""
    place, engine = tmp_path_factory.mktemp("standing") / "record", Engine()
    first = streams.start(RIG)
    with Journal(place) as journal:
        journal.begin(first, engine.feed(first).events)
        at = 1
        for n, values in ((100, {}), (200, DRY), (100, {}), (100, DRY)):
            block = streams.scans(RIG, n, first=at, values=values)
            journal.append(block, engine.feed(block).events)
            at += n
        second = streams.start(RIG, run=2, t_ns=600 * SECOND, snapshot=engine.state())
        engine = Engine()
        journal.begin(second, engine.feed(second).events)
        block = streams.scans(RIG, 100, run=2, t0=601 * SECOND, values=DRY)
        journal.append(block, engine.feed(block).events)
    return place


def held(folder: Path, begin_s: float, end_s: float = 2000.0) -> dict[str, float]:
    window = streams.UTC + round(begin_s * SECOND), streams.UTC + round(end_s * SECOND)
    return {key: (since - streams.UTC) / SECOND for key, since in standing(Record(folder), window).items()}


@pytest.mark.parametrize(
    ("begin_s", "lost_since_s"),
    [(10.0, None), (40.0, 20.6), (75.0, None), (95.0, 80.6), (300.0, 80.6), (610.0, 80.6)],
)
def test_it_stood_from_its_coming_until_it_went_also_over_a_restart(
    folder: Path, begin_s: float, lost_since_s: float | None
) -> None:
    found = held(folder, begin_s)
    assert (found.get("aux.cooling-lost") is None) == (lost_since_s is None)
    if lost_since_s is not None:
        assert found["aux.cooling-lost"] == pytest.approx(lost_since_s, abs=0.5)
        assert "rig.pump-stopped" in found


def test_nothing_stood_where_nothing_was_recorded(folder: Path) -> None:
    assert held(folder, 120.0, 500.0) == {}
    assert held(folder, 5000.0, 6000.0) == {}
