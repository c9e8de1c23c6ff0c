"""Files and names that are there whole or not at all, also after a power cut."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

OPEN = 0o666
"""What the user's mask leaves of it; ``PRIVATE`` for what only the user may read."""
PRIVATE = 0o600


@contextmanager
def appearing(file: Path, *, mode: int = OPEN) -> Iterator[Path]:
    """A file beside ``file`` to write into; it takes that name when all went well, and is removed when not.

    Its content is durable before its name is, and its name before this returns.

    Args:
        file: what shall be there; one of that name is replaced.
        mode: permissions.

    Yields:
        The empty file to be written.

    Raises:
        OSError: the disk does not take it; what was there stays.
    """
    part = file.with_name(file.name + ".part")
    part.unlink(missing_ok=True)  # left by a crash, perhaps with other permissions
    try:
        os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode))
        yield part
        sync_file(part)
        os.replace(part, file)  # noqa: PTH105 - atomic on purpose
    finally:
        part.unlink(missing_ok=True)
    sync_folder(file.absolute().parent)


def sync_file(file: Path) -> None:
    """Make a file's content durable.

    Raises:
        OSError: the disk does not do it.
    """
    _sync(file, os.O_RDONLY)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable.

    Raises:
        OSError: the disk does not do it.
    """
    _sync(folder, os.O_RDONLY | os.O_DIRECTORY)


def _sync(place: Path, flags: int) -> None:
    handle = os.open(place, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
