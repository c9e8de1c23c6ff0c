"""Lines a server refused, each with its reason, beside the cursors: ``mirror.<name>.parked.jsonl``."""

import json
import logging
from collections import deque
from collections.abc import Iterable
from pathlib import Path
from typing import Final
from urllib.parse import quote

MOST_BYTES: Final = 16 * 1024 * 1024
"""Beyond this lines are counted and no longer kept; the record has what they say."""
_REMEMBERED = 4096

Refusal = tuple[bytes, str]
"""A line and why it was refused."""

_log = logging.getLogger(__name__)


class Parked:
    """The refused lines of one mirror. A line that is sent again and refused again is parked once."""

    def __init__(self, folder: Path, name: str) -> None:
        self.path = folder / f"mirror.{quote(name, safe='')}.parked.jsonl"
        self.count = 0
        self._lately: deque[int] = deque(maxlen=_REMEMBERED)

    def add(self, refusals: Iterable[Refusal]) -> None:
        """Keep what was refused. A disk that does not take it is logged and holds nothing up."""
        fresh = [(line, why) for line, why in refusals if hash(line) not in self._lately]
        if not fresh:
            return
        self._lately.extend(hash(line) for line, _ in fresh)
        self.count += len(fresh)
        _log.warning("%s: %d lines parked, the first because: %s", self.path.name, len(fresh), fresh[0][1])
        try:
            self._write(fresh)
        except OSError as error:
            _log.warning("%s: cannot be written: %s", self.path, error)

    def _write(self, fresh: list[Refusal]) -> None:
        if self.path.exists() and self.path.stat().st_size > MOST_BYTES:
            return
        with self.path.open("a", encoding="utf-8") as file:
            file.writelines(
                json.dumps({"reason": why, "line": line.decode("utf-8", "replace")}) + "\n" for line, why in fresh
            )
