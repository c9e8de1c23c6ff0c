"""Which alarms may lead for which fault: the table ``leading.toml``, committed before the faults were played."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Leading:
    """One row."""

    lead: frozenset[str]
    damages: bool = False
    silent: str = ""


@cache
def leading() -> Mapping[str, Leading]:
    """Fault -> its row."""
    raw = tomllib.loads(Path(__file__).with_name("leading.toml").read_text(encoding="utf-8"))
    return {
        name: Leading(lead=frozenset(row["lead"]), damages=row.get("damages", False), silent=row.get("silent", ""))
        for name, row in raw.items()
    }
