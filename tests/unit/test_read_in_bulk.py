"""Scans put together by SQLite are those that rows give, and reading ahead changes nothing."""

import sqlite3
from collections.abc import Generator
from pathlib import Path

import numpy as np
import pytest

from brakewater.errors import DamagedRecordError
from brakewater.record.hot import hot_inputs
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.rows import Row, rows_of
from brakewater.record.segment import segment_path
from brakewater.review.ahead import read_ahead
from brakewater.stream import Block, Command, Request, Start

SCANS = 400


def _scans(first: int, last: int) -> Block:
    number, random = np.arange(first, last + 1), np.random.default_rng(first)
    n = len(number)
    return Block(
        run=1,
        input=number,
        t_ns=number * 200_000_000 - 10**9,
        utc_ns=10**18 + number,
        words=random.integers(0, 65_536, (n, 3)).astype(np.uint16),
        status=random.integers(0, 256, (n, 2)).astype(np.uint8),
        age_ns=random.integers(-(2**63), 2**63 - 1, (n, 2)),
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Journal(tmp_path, bound=10_000) as journal:
        journal.begin(Start(run=1, t_ns=0, utc_ns=10**18, boot="b", version="0", rig_toml=""))
        journal.append(_scans(1, 199))
        request = Request(id="7", actor="driller", do="note")
        journal.append(Command(run=1, input=200, t_ns=39 * 10**9, utc_ns=10**18 + 200, request=request))
        journal.append(_scans(201, SCANS))
        journal.wait_committed()
    return tmp_path


def _rows(folder: Path, block: int) -> list[Row]:
    return [row for item in Record(folder).inputs(block=block) for row in rows_of(item)]


@pytest.mark.parametrize("block", [64, 65, 100, 8192])
def test_as_row_by_row(folder: Path, block: int) -> None:
    assert _rows(folder, block) == _rows(folder, 1)
    assert [row[0] for row in _rows(folder, block)] == list(range(SCANS + 1))


@pytest.mark.parametrize(
    ("harm", "whole"),
    [
        ("UPDATE inputs SET t_ns = 'x' WHERE input = 301", 300),
        ("UPDATE inputs SET utc_ns = 1.5 WHERE input = 301", None),
        ("UPDATE inputs SET body = x'00' WHERE input = 301", 300),
        ("DELETE FROM inputs WHERE input = 301", 300),
    ],
)
def test_damage_is_told_as_of_rows(folder: Path, harm: str, whole: int | None) -> None:
    path = segment_path(folder, 1)
    with sqlite3.connect(path) as base:
        base.execute(harm)
    base.close()

    def read(block: int) -> tuple[list[Row], str]:
        rows: list[Row] = []
        try:
            for item in hot_inputs(path, 1, -1, block):
                rows += rows_of(item)
        except DamagedRecordError as error:
            return rows, str(error)
        return rows, ""

    assert read(8192) == read(1)
    if whole is not None:
        assert read(8192)[0][-1][0] == whole


def test_reading_ahead_gives_the_same_and_the_error_where_it_is() -> None:
    closed = []

    def items() -> Generator[int, None, None]:
        try:
            yield from range(5)
            raise DamagedRecordError("here")
        finally:
            closed.append(True)

    seen = []
    with pytest.raises(DamagedRecordError, match="here"):
        seen.extend(read_ahead(items()))
    assert closed == [True]

    some = read_ahead(items())
    assert [next(some), next(some)] == [0, 1]
    some.close()
    assert closed == [True, True]
