"""Legal holds: windows of the record that nothing may trim, in ``holds.jsonl`` beside the segments.

The command with actor and reason is in the record itself; this file is what trimming goes by. It is only ever added to:
a hold ends by a further line. Whoever adds and whoever trims take turns by a lock on it, and where it cannot be read
whole, nothing is trimmed at all.
"""

import fcntl
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Final

from brakewater.errors import StorageError
from brakewater.record.durable import sync_folder

FILE: Final = "holds.jsonl"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """One window."""

    id: str
    from_utc_ns: int
    to_utc_ns: int
    actor: str
    reason: str

    def covers(self, from_utc_ns: int, to_utc_ns: int) -> bool:
        """Whether it touches a span of time."""
        return from_utc_ns <= self.to_utc_ns and to_utc_ns >= self.from_utc_ns


@contextmanager
def _turn(folder: Path) -> Iterator[IO[bytes]]:
    try:
        with (folder / FILE).open("a+b") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            file.seek(0)
            yield file
    except OSError as error:
        raise StorageError(f"{folder / FILE}: {error.strerror}") from error


@contextmanager
def holding_still(folder: Path) -> Iterator[tuple[Hold, ...]]:
    """The holds in force; none can be added before the end of this.

    Raises:
        StorageError: the file cannot be read whole.
    """
    with _turn(folder) as file:
        yield tuple(_in_force(folder, file).values())


def holds(folder: Path) -> tuple[Hold, ...]:
    """The holds in force.

    Raises:
        StorageError: the file cannot be read whole.
    """
    if not (folder / FILE).exists():
        return ()
    with holding_still(folder) as found:
        return found


def add_hold(folder: Path, hold: Hold) -> None:
    """Put a window under hold; durable when this returns.

    Raises:
        StorageError: it could not be written.
    """
    _append(folder, {"hold": {**asdict(hold), "from_utc_ns": str(hold.from_utc_ns), "to_utc_ns": str(hold.to_utc_ns)}})


def end_hold(folder: Path, number: str, actor: str, reason: str) -> None:
    """End a hold.

    Raises:
        StorageError: there is none of that id, or it could not be written.
    """
    if number not in {one.id for one in holds(folder)}:
        raise StorageError(f"no hold {number!r} is in force")
    _append(folder, {"release": {"id": number, "actor": actor, "reason": reason}})


def _append(folder: Path, doc: dict[str, object]) -> None:
    with _turn(folder) as file:
        _in_force(folder, file)
        file.write(json.dumps(doc, ensure_ascii=False).encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())
    sync_folder(folder)


def _in_force(folder: Path, file: IO[bytes]) -> dict[str, Hold]:
    found: dict[str, Hold] = {}
    for number, line in enumerate(file, 1):
        try:
            doc = json.loads(line)
            if "release" in doc:
                found.pop(doc["release"]["id"], None)
                continue
            one = doc["hold"]
            times = {key: int(one[key]) for key in ("from_utc_ns", "to_utc_ns")}
            found[one["id"]] = Hold(id=one["id"], actor=one["actor"], reason=one["reason"], **times)
        except (ValueError, KeyError, TypeError) as error:
            found_here = "a line that was cut off" if not line.endswith(b"\n") else "no hold"
            raise StorageError(
                f"{folder / FILE}:{number}: found {found_here}; nothing is trimmed until the line is taken out and its"
                " hold, which the record names, is given again"
            ) from error
    return found
