"""One writer a record folder: a file lock that the system releases with the process, however it ends."""

import contextlib
import fcntl
import os
from pathlib import Path
from typing import Self

from brakewater.errors import StorageError, plainly
from brakewater.record.durable import sync_folder

_NAME = "record.lock"


class FolderLockedError(StorageError):
    """Another process records there: not a fault of the disk, so going on without a record would be wrong."""


class FolderLock:
    """Held from construction to ``release``."""

    def __init__(self, folder: Path) -> None:
        """Take the lock.

        Raises:
            FolderLockedError: another process holds it; its pid is named.
            StorageError: the folder cannot be written.
        """
        path = folder / _NAME
        try:
            make_folder(folder)
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise StorageError(f"{folder}: the record folder cannot be written: {plainly(error)}") from error
        self._take(folder, path)

    def _take(self, folder: Path, path: Path) -> None:
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._handle)
            holder = path.read_text().strip() or "unknown"
            raise FolderLockedError(
                f"{folder}: process {holder} already records here; stop it or give another --record folder"
            ) from error
        text = f"{os.getpid()}\n".encode()
        with contextlib.suppress(OSError):  # on a full disk the lock holds as well; only its holder's name is missing
            os.pwrite(self._handle, text, 0)  # first, so that a file that was there keeps its block
            os.ftruncate(self._handle, len(text))

    def release(self) -> None:
        """Give the lock back. The file stays: removing it would let two processes lock two files of one name."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def make_folder(folder: Path) -> None:
    """Make a record folder, and see to it that its name and those of new folders above it survive a power cut.

    Raises:
        OSError: it cannot be made.
    """
    new = [one for one in (folder, *folder.parents) if not one.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for one in new:
        with contextlib.suppress(OSError):  # some file systems cannot; the record goes on all the same
            sync_folder(one.parent)
