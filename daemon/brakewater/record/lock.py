"""One writer a record folder: a file lock that the system releases with the process, however it ends."""

import contextlib
import fcntl
import os
import pwd
from pathlib import Path
from typing import Self

from brakewater.errors import StorageError, plainly
from brakewater.record.durable import sync_folder
from brakewater.record.sealed.layout import segments_folder
from brakewater.record.segment import hot_folder

_NAME = "record.lock"


class FolderLockedError(StorageError):
    """Another process records there: not a fault of the disk, so going on without a record would be wrong."""


class FolderLock:
    """Held from construction to ``release``."""

    def __init__(self, folder: Path) -> None:
        """Take the lock.

        Raises:
            FolderLockedError: another process holds it; its pid is named.
            StorageError: the folder cannot be written, or something in it that a journal needs.
        """
        path = folder / _NAME
        try:
            make_folder(folder)
            self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise StorageError(f"{folder}: the record folder cannot be written: {plainly(error)}") from error
        self._take(folder, path)
        try:
            _check_rights(folder)
        except StorageError:
            self.release()
            raise

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


def _check_rights(folder: Path) -> None:
    """What lies in a record folder may be another user's: root worked there, or it was restored by root.

    A run that may not be read is not damaged: to go on from the one before it would fork the chain.

    Raises:
        StorageError: names the first such place, and what mends it.
    """
    for one in (hot_folder(folder), segments_folder(folder)):
        try:
            within = [Path(entry.path) for entry in os.scandir(one)]
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError:
            within = []
        for place in (one, *within):
            needs = os.R_OK | os.W_OK | (os.X_OK if place.is_dir() else 0)
            if not os.access(place, needs) and os.path.lexists(place):  # else sealed or trimmed meanwhile
                raise StorageError(f"{place}: {_rights(place)}; mend it as root: {_mending(folder)}")


def _rights(place: Path) -> str:
    told = place.stat()
    return f"belongs to {_user(told.st_uid)}, mode {told.st_mode & 0o777:03o}: {_user(os.geteuid())} may not use it"


def _mending(folder: Path) -> str:
    return f"chown -R {_user(os.geteuid())}: {folder} && chmod -R u=rwX,g=rX,o= {folder}"


def _user(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)


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
