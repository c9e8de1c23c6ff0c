"""What retention has deleted of a record: a line a segment, with where the chain stood before and after it.

The file is not signed: it lets a check of the chain pass over what was deleted, and says so; that the deletion was
lawful it does not prove.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from brakewater.record.sealed.layout import segments_folder

TRIMMED: Final = "trimmed.jsonl"

Gone = Mapping[str, tuple[int, str]]
"""Hash where the chain stood before a deleted segment -> its run, and the hash where it stood after."""


def trimmed(folder: Path) -> Gone:
    """What a record's list says. A line that a power cut tore is none: what it was to name was not deleted yet."""
    file, found = segments_folder(folder) / TRIMMED, dict[str, tuple[int, str]]()
    if not file.is_file():
        return found
    for line in file.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            doc = json.loads(line)
            found[str(doc["prev_hash"])] = (int(doc["run"]), str(doc["hash"]))
        except (ValueError, KeyError, TypeError):
            continue
    return found


def led_up(gone: Gone, link: str) -> tuple[list[int], str]:
    """Deleted runs that lead without a hole up to a place in the chain, oldest first, and where the first began."""
    before = {end: (run, start) for start, (run, end) in gone.items()}
    passed: list[int] = []
    while link in before and len(passed) < len(before):
        run, link = before[link]
        passed.insert(0, run)
    return passed, link
