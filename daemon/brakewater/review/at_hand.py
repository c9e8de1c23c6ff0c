"""A record wherever it lies, at hand as a file or folder: what has a scheme is fetched into a folder that goes again.

/srv/rig-4/record        a path is taken as it is
s3://bucket/rig-4.zip    anything that fsspec reaches (https, sftp, s3, gs, az, ...); case files and record folders
"""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from brakewater.errors import StorageError

_SCHEME: Final = "://"
MOST_BYTES: Final = 200 * 2**30
"""More is not fetched; twenty years of a rig with full-rate values, at 6 GB each, are 120 GB."""


def is_afar(place: str) -> bool:
    """Whether it must be fetched."""
    return _SCHEME in place


@contextmanager
def at_hand(place: str) -> Iterator[Path]:
    """The record as a path of this machine.

    Raises:
        StorageError: it cannot be fetched: no such thing, no right to it, or what reaches it is not installed.
    """
    if not is_afar(place):
        yield Path(place)
        return
    with tempfile.TemporaryDirectory(prefix="brakewater-study-") as folder:
        yield _fetched(place, Path(folder))


def _fetched(place: str, folder: Path) -> Path:
    try:
        import fsspec  # noqa: PLC0415 - only for what lies afar
    except ImportError:
        raise StorageError(
            f"{place}: to fetch it, install fsspec, for example: pip install 'brakewater[cluster]'"
        ) from None
    try:
        store, path = fsspec.core.url_to_fs(place)
        size = sum(store.du(path, total=False).values()) if store.isdir(path) else store.size(path)
        if size is not None and size > MOST_BYTES:
            raise StorageError(f"{place}: {size} bytes; allowed: up to {MOST_BYTES}")
        if not store.isdir(path):
            target = folder / Path(path).name
            store.get_file(path, str(target))
            return target
        store.get(path, str(folder / "record"), recursive=True)
        return folder / "record"
    except (OSError, ValueError, ImportError) as error:
        raise StorageError(f"{place}: cannot be fetched: {error or type(error).__name__}") from error
