"""A crash loop is told from an orderly life, and from power that came back twice."""

from pathlib import Path

import pytest

from brakewater.service.starts import MOST, NAME, SPAN_S, Starts


def test_starts_without_a_stop_are_a_crash_loop(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    for at in range(MOST):
        assert not Starts(tmp_path, 1000 + at).loops
    assert "crashes" not in caplog.text
    last = Starts(tmp_path, 1000 + MOST)
    assert last.loops
    assert last.lately == MOST + 1
    assert [last.again(1000 + MOST), last.again(1001 + SPAN_S), last.again(2000 + SPAN_S)] == [MOST, MOST - 2, 0]
    assert f"started {MOST + 1} times in ten minutes" in caplog.text


def test_stopped_in_order_it_begins_anew(tmp_path: Path) -> None:
    for at in range(20):
        one = Starts(tmp_path, 1000 + at)
        assert one.lately == 1
        one.stopped()


def test_what_was_long_ago_or_lies_ahead_does_not_count(tmp_path: Path) -> None:
    for at in range(MOST):
        Starts(tmp_path, 1000 + at)
    assert Starts(tmp_path, 1000 + SPAN_S + MOST).lately == 1
    assert Starts(tmp_path, 500).lately == 1  # the wall clock was set back


@pytest.mark.parametrize("content", [b"", b"soon\n-7\n\xff\x00", b"9" * 100_000])
def test_a_damaged_note_stops_nothing(tmp_path: Path, content: bytes) -> None:
    (tmp_path / NAME).write_bytes(content)
    assert Starts(tmp_path, 1000).lately == 1


def test_a_folder_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / NAME).mkdir()
    assert Starts(tmp_path, 1000).lately == 1
    Starts(tmp_path, 1001).stopped()
