"""Reading ahead: the next item is fetched in a thread while the last is worked on.

A record is read by SQLite and Parquet readers that let other threads run, so that it costs no time beside the engine
where there is a second processor.
"""

from collections.abc import Generator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from typing import Final, TypeVar, cast

_T = TypeVar("_T")
_END: Final = object()


def read_ahead(items: Generator[_T, None, None]) -> Generator[_T, None, None]:
    """The same items in the same order, one ahead; what they raise is raised here. Closing it closes ``items``."""
    with closing(items), ThreadPoolExecutor(1, "read-ahead") as reader:
        due = reader.submit(next, items, _END)
        while (item := due.result()) is not _END:
            due = reader.submit(next, items, _END)
            yield cast("_T", item)
