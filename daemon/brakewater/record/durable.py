"""Files and names that are there whole or not at all, also after a power cut."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

OPEN = 0o666
"""What the user's mask leaves of it; ``PRIVATE`` for what only the user may read."""
PRIVATE = 0o600


@contextmanager
def appearing(file: Path, *, mode: int = OPEN, as_folder: bool = False) -> Iterator[Path]:
    """A file beside ``file`` to write into; it takes that name when all went well, and is removed when not.

    Its content is durable before its name is, and its name before this returns.

    Args:
        file: what shall be there; one of that name is replaced.
        mode: permissions.
        as_folder: where root writes, it belongs to whom the folder belongs (``belong_to_folder``).

    Yields:
        The empty file to be written.

    Raises:
        OSError: the disk does not take it; what was there stays.
    """
    part = file.with_name(file.name + ".part")
    part.unlink(missing_ok=True)  # left by a crash, perhaps with other permissions
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        try:
            if as_folder:
                belong_to_folder(handle, file)
        finally:
            os.close(handle)
        yield part
        sync_file(part)
        os.replace(part, file)  # noqa: PTH105 - atomic on purpose
    finally:
        part.unlink(missing_ok=True)
    sync_folder(file.absolute().parent)


def belong_to_folder(handle: int, file: Path) -> None:
    """Where root runs this, give a file to the owner and group of its folder; nobody else can.

    A record belongs to the service's user: what root left in it the service could neither read nor write. It is done
    by the open file, not by its name, which the folder's owner could turn into a link to something else.

    Args:
        handle: the open file.
        file: its place.

    Raises:
        OSError: the file system keeps no owners.
    """
    if os.geteuid() == 0:
        whose = file.absolute().parent.stat()
        os.fchown(handle, whose.st_uid, whose.st_gid)


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
