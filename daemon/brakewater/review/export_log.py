"""What was exported, by whom and when: a line each in ``exports.jsonl`` of the record folder.

It stands beside the record, not in its chain: whoever takes a copy changes nothing of what happened, and may do so
while no daemon runs. A case file cannot be written to; then there is no line, and the command says so.
"""

import hashlib
import json
import os
import time
from pathlib import Path
from typing import Final

from brakewater.control import own_user
from brakewater.errors import StorageError, plainly
from brakewater.record.durable import belong_to_folder
from brakewater.review.export import Exported, Wanted
from brakewater.units import utc_text

NAME: Final = "exports.jsonl"


def note(record: Path, file: Path, wanted: Wanted, done: Exported, actor: str | None = None) -> None:
    """Add a line; ``actor``: who took it, the user of this process where None.

    Raises:
        StorageError: the record folder cannot be written.
    """
    with file.open("rb") as handle:
        digest = hashlib.file_digest(handle, "sha256").hexdigest()
    doc = {
        "t": utc_text(time.time_ns()),
        "actor": actor or own_user(),
        "file": str(file.absolute()),
        "sha256": digest,
        "rows": done.rows,
        "from": utc_text(wanted.from_utc_ns) if wanted.from_utc_ns is not None else None,
        "to": utc_text(wanted.to_utc_ns) if wanted.to_utc_ns is not None else None,
        "every_s": wanted.every_ns / 1e9 if wanted.every_ns else None,
    }
    if not record.is_dir():
        raise StorageError(f"{record}: is no folder, so nobody will see there that {file} was taken from it")
    try:
        # One write to a file opened for appending: lines of two exports at once do not mix.
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC | os.O_NOFOLLOW
        handle_no = os.open(record / NAME, flags, 0o644)
        try:
            belong_to_folder(handle_no, record / NAME)
            os.write(handle_no, json.dumps(doc).encode() + b"\n")
        finally:
            os.close(handle_no)
    except PermissionError as error:
        raise StorageError(
            f"{record / NAME}: user {own_user()} may not write there; an export that is to be logged is typed as root"
        ) from error
    except OSError as error:
        raise StorageError(f"{record / NAME}: cannot be written: {plainly(error)}") from error
