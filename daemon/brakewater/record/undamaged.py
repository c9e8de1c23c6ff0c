"""Reading past damage, for followers: what is whole of a run, then the next run."""

from collections.abc import Callable, Generator

from brakewater.errors import DamagedRecordError
from brakewater.record.reader import Record
from brakewater.stream import Input

Place = tuple[int, int]
"""Run and input."""


def undamaged(
    record: Record,
    after: Place,
    block: int,
    tell: Callable[[int, DamagedRecordError], None] = lambda _run, _error: None,
    to_run: int | None = None,
) -> Generator[Input, None, None]:
    """Committed inputs in order, going on with the next run where one is damaged.

    Args:
        record: what to read.
        after: run and input of the last one already seen.
        block: the most scans in one block.
        tell: called with a run and what is wrong with it.
        to_run: last run wanted; the newest where None.

    Raises:
        StorageError: the record cannot be read now.
    """
    for run in [run for run in record.runs() if run >= after[0] and (to_run is None or run <= to_run)]:
        try:
            yield from record.inputs(after=after if run == after[0] else (run, -1), block=block, to_run=run)
        except DamagedRecordError as error:
            tell(run, error)
