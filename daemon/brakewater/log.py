"""The log of a program of ours: one line an entry for people, for the journal of systemd, or as JSON; never a secret.

Under systemd a line begins with its priority, ``<4>`` for a warning (``sd-daemon(3)``): ``journalctl -p`` knows it.
What repeats without end is held back: so many entries of one message a minute, then a count of those left out.
"""

import json
import logging
import os
import sys
from collections.abc import Iterable, Mapping
from enum import StrEnum
from time import gmtime
from typing import Final

MOST: Final = 100
"""Entries of one message within ``SPAN_S``; alarms are changes of state, and a storm of them is in the record."""
SPAN_S: Final = 60.0
_MOST_MESSAGES: Final = 1000
_LEAST_SECRET: Final = 4
"""A shorter secret would strike out half of what is said; it is no secret either."""
_STRUCK: Final = "[secret]"
_PRIORITIES: Final = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))


class LogFormat(StrEnum):
    """How an entry is written."""

    AUTO = "auto"
    """As ``journal`` where standard error is systemd's journal, else as ``text``."""
    TEXT = "text"
    JOURNAL = "journal"
    JSON = "json"


class Lines(logging.Formatter):
    """An entry as lines, secrets struck out."""

    def __init__(self, form: LogFormat, secrets: Iterable[str] = (), head: str = "") -> None:
        """Fix what is written.

        Args:
            form: not ``AUTO``.
            secrets: texts that may never stand there.
            head: stands before each message: which program says it.
        """
        super().__init__()
        self._form, self._head = form, head
        # Also as Python and JSON escape it, and line by line: an error may quote what it read.
        known = {part for one in secrets for part in (one, *one.splitlines()) if len(part) >= _LEAST_SECRET}
        escaped = {part for one in known for part in (json.dumps(one)[1:-1], repr(one)[1:-1])}
        self._secrets = sorted(known | escaped, key=len, reverse=True)

    def format(self, record: logging.LogRecord) -> str:
        """The text, without its end of line."""
        text = self._head + record.getMessage()
        trace = self.formatException(record.exc_info) if record.exc_info else None
        if self._form is LogFormat.JSON:
            return self._json(record, self._clean(text), self._clean(trace) if trace else None)
        text = self._clean(text if trace is None else f"{text}\n{trace}")
        if self._form is LogFormat.JOURNAL:
            mark = f"<{_priority(record.levelno)}>"
            return "\n".join(mark + line for line in text.split("\n"))
        return f"{record.levelname} {text}"

    def _clean(self, text: str) -> str:
        for secret in self._secrets:
            text = text.replace(secret, _STRUCK)
        return text

    def _json(self, record: logging.LogRecord, text: str, trace: str | None) -> str:
        entry = {
            "t": f"{self.formatTime(record, '%Y-%m-%dT%H:%M:%S')}.{int(record.msecs):03d}Z",
            "level": record.levelname.lower(),
            "part": record.name.removeprefix("brakewater."),
            "says": text,
            "pid": record.process,
        }
        return json.dumps({**entry, "trace": trace} if trace else entry, ensure_ascii=False)


class Held(logging.Filter):
    """Holds back what repeats: of one message are entries of one level, place and text before its values."""

    def __init__(self, most: int = MOST, span_s: float = SPAN_S) -> None:
        """Nothing has been said yet."""
        super().__init__()
        self._most, self._span_s = most, span_s
        self._seen: dict[tuple[str, int, str], list[float]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether it is written; the first after a pause also says how many were not."""
        key = (record.name, record.levelno, str(record.msg))
        began, count = self._seen.get(key, [record.created, 0])
        if not 0 <= record.created - began < self._span_s:  # also where the wall clock was set back
            if count > self._most:
                record.msg = f"{record.getMessage()} ({int(count) - self._most} more like it not shown)"
                record.args = ()
            began, count = record.created, 0
        if len(self._seen) >= _MOST_MESSAGES:
            self._seen.clear()
        self._seen[key] = [began, count + 1]
        if count + 1 == self._most:
            record.msg, record.args = f"{record.getMessage()} (more like it not shown for a while)", ()
        return count < self._most


def begin(
    form: LogFormat, environment: Mapping[str, str] = os.environ, secrets: Iterable[str] = (), head: str = ""
) -> None:
    """Log to standard error from now on.

    Args:
        form: how entries are written.
        environment: ``JOURNAL_STREAM`` tells whether standard error is systemd's journal.
        secrets: texts that may never stand there.
        head: stands before each message.
    """
    if form is LogFormat.AUTO:
        form = LogFormat.JOURNAL if _is_journal(environment.get("JOURNAL_STREAM", "")) else LogFormat.TEXT
    lines = Lines(form, secrets, head)
    lines.converter = gmtime
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(lines)
    handler.addFilter(Held())
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)


def _is_journal(stream: str) -> bool:
    """Whether standard error is what ``JOURNAL_STREAM`` names: ``device:inode``."""
    try:
        told = os.fstat(sys.stderr.fileno())
    except (OSError, ValueError):
        return False
    return stream == f"{told.st_dev}:{told.st_ino}"


def _priority(level: int) -> int:
    return next((number for least, number in _PRIORITIES if level >= least), 7)
