"""Heads of the chain that someone outside has kept, as JSON lines: what came over MQTT, written down as it came.

    mosquitto_sub -h BROKER -t 'brakewater/rig-4/chain' >> heads.jsonl

No tool of ours is needed to keep them, and none of ours can reach them.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from brakewater.errors import StorageError


@dataclass(slots=True, kw_only=True)
class Anchor:
    """Heads from outside."""

    heads: dict[tuple[int, int], set[str]] = field(default_factory=dict)
    """Run and commit -> hashes; more than one where two records were shown under one name."""
    unreadable: list[int] = field(default_factory=list)
    """Numbers of lines that hold no head, for example a last one cut off."""


def read_anchor(file: Path) -> Anchor:
    """Read a file of heads.

    Raises:
        StorageError: it cannot be read, or no line of it is a head.
    """
    try:
        with file.open(encoding="utf-8", errors="replace") as lines:
            anchor = heads_in(lines)
    except OSError as error:
        raise StorageError(f"{file}: cannot be read: {error.strerror}") from error
    if not anchor.heads:
        raise StorageError(
            f'{file}: found no head of a chain; allowed: JSON lines {{"run": 1, "commit": 2, "hash": "..."}}'
            " as they come under <root>/chain"
        )
    return anchor


def heads_in(lines: Iterable[str]) -> Anchor:
    """Heads of some lines."""
    anchor = Anchor()
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            doc = json.loads(line)
            place = (int(doc["run"]), int(doc["commit"]))
            anchor.heads.setdefault(place, set()).add(str(doc["hash"]))
        except (ValueError, TypeError, KeyError):
            anchor.unreadable.append(number)
    return anchor
