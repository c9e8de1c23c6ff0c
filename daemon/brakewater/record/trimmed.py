"""What retention has deleted of a record: a line a segment, with where the chain stood before and after it.

The file is not signed: it lets a check of the chain pass over what was deleted, and says so; that the deletion was
lawful it does not prove.
"""

import json
from pathlib import Path
from typing import Final

from brakewater.errors import DamagedRecordError
from brakewater.record.sealed.layout import segments_folder

TRIMMED: Final = "trimmed.jsonl"


def trimmed(folder: Path) -> dict[str, tuple[int, str]]:
    """Hash where the chain stood before a deleted segment -> its run, and the hash where it stood after.

    Raises:
        DamagedRecordError: a line cannot be read; names it.
    """
    file, found = segments_folder(folder) / TRIMMED, {}
    if not file.is_file():
        return {}
    for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
        try:
            doc = json.loads(line)
            found[str(doc["prev_hash"])] = (int(doc["run"]), str(doc["hash"]))
        except (ValueError, KeyError, TypeError) as error:
            raise DamagedRecordError(f"{file}: line {number}: {error!r}") from error
    return found
