import pytest

from outside import observer


def test_the_band_holds_where_cooling_is_lost() -> None:
    (row,) = observer.rows({"pump-loss": 60.0}, {"exact": {}})
    assert 0.9 <= row.cover <= 1.0, str(row)
    assert row.score < row.constant


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_the_band_holds_in_every_scenario() -> None:
    """``tests/results`` keeps the table as it was measured."""
    found = [*observer.rows(), *observer.late_rows()]
    print("\n".join(str(row) for row in found))
    assert min(row.cover for row in found) >= 0.9
    assert all(row.score < row.constant for row in found)
    assert all(row.dry[1] > 3.0 for row in found if row.dry is not None)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_the_band_holds_where_all_is_drawn() -> None:
    """What is off stays off all through a row: of all rows' scans 95 % are within, not of each row's."""
    found = list(observer.drawn_rows())
    print("\n".join(str(row) for row in found))
    assert sum(row.cover for row in found) / len(found) >= 0.93
    assert min(row.cover for row in found) >= 0.75
