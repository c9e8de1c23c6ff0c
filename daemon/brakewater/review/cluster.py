"""The same answers from many machines: each record is one task of a Dask cluster that is there already.

Dask, because its workers are plain Python processes that take the function as it is and keep nothing: an answer is that
of one process, wherever it ran. The workers need this package in the same version, and must reach the records by the
same paths or addresses.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from brakewater import __version__
from brakewater.errors import StorageError

T = TypeVar("T")


def answers(address: str, ask: Callable[..., T], places: Sequence[str], *more: Any) -> Iterator[T]:
    """What each place answers, in their order.

    Args:
        address: of the scheduler, for example ``tcp://10.0.0.5:8786``.
        ask: called with a place, and ``more``; it must be importable at the workers.
        places: one task each.
        more: the same for all.

    Raises:
        StorageError: no scheduler there, no worker, workers of another version, or Dask is not installed.
    """
    try:
        from distributed import Client  # noqa: PLC0415 - only with a cluster
    except ImportError:
        raise StorageError("--cluster needs Dask: pip install 'brakewater[cluster]'") from None
    try:
        client = Client(address, timeout="10 s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise StorageError(f"--cluster {address}: no scheduler answers there ({error or 'time-out'})") from error
    with client:
        versions = set(client.run(version).values())
        if versions != {__version__}:
            found = ", ".join(sorted(versions)) or "no worker"
            raise StorageError(f"--cluster {address}: found {found}; allowed: workers with brakewater {__version__}")
        tasks = [client.submit(ask, place, *more, pure=False) for place in places]
        for task in tasks:
            yield task.result()


def version() -> str:
    """Of this package where it runs."""
    return __version__
