"""The journal and the followers' cursors, or what stands in for them where the folder cannot be written."""

import contextlib
import logging
from collections.abc import Callable
from pathlib import Path

from brakewater.errors import StorageError
from brakewater.record.cursors import Cursors
from brakewater.record.journal import Journal
from brakewater.record.lock import FolderLockedError
from brakewater.record.segment import NewerRecordError
from brakewater.record.signing import Signer
from brakewater.record.unrecorded import Unrecorded
from brakewater.record.writer import Committed
from brakewater.service.starts import Starts

_log = logging.getLogger(__name__)


class Recording:
    """Where a watch records, and who is told of each commit."""

    def __init__(self, folder: Path, signer: Signer | None = None) -> None:
        """Open the journal.

        Args:
            folder: record folder.
            signer: signs the chain, where there is a key.

        Raises:
            FolderLockedError: another daemon records there.
            NewerRecordError: a newer version recorded there.
        """
        self.folder, self._signer = folder, signer
        self.disk_used_e4 = 0
        """Share of the folder's disk in use, in ten-thousandths; looked at every few seconds."""
        self.followers: list[Callable[[Committed], None]] = []
        """Called in the journal's thread; replaced as a whole."""
        self.journal = self._journal()
        self.starts = Starts(folder) if self.works else None
        self._settle_followers()

    @property
    def works(self) -> bool:
        """Whether anything is recorded at all."""
        return isinstance(self.journal, Journal)

    def _journal(self) -> Journal | Unrecorded:
        try:
            return Journal(self.folder, on_commit=self._tell, signer=self._signer)
        except (FolderLockedError, NewerRecordError):
            raise
        except StorageError as error:
            _log.error("nothing is recorded until this is mended and the daemon started again: %s", error)
            return Unrecorded(str(error))

    def _settle_followers(self) -> None:
        """Before anything is recorded; what keeps it from being done will be met again where followers begin."""
        if self.works:
            with contextlib.suppress(StorageError), Cursors(self.folder) as cursors:
                cursors.settle()

    def _tell(self, committed: Committed) -> None:
        for follower in self.followers:
            follower(committed)

    def cursors(self, stack: contextlib.AsyncExitStack) -> "Cursors | Forgetful":
        """The followers' cursors, open as long as the stack."""
        if not self.works:
            return Forgetful()
        try:
            return stack.enter_context(contextlib.closing(Cursors(self.folder)))
        except StorageError as error:
            _log.error("every event will be sent to the broker once more: %s", error)
            return Forgetful()


class Forgetful:
    """Cursors where there is no record folder to keep them in."""

    def __init__(self) -> None:
        self._places: dict[str, tuple[int, int]] = {}

    def get(self, name: str) -> tuple[int, int] | None:
        """Where a follower is."""
        return self._places.get(name)

    def set(self, name: str, cursor: tuple[int, int]) -> None:
        """Where a follower is now."""
        self._places[name] = cursor
