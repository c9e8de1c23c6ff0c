"""Results of incidents and quiet hours as lines of JSON, each with the code it was got with: a cut run still counts."""

import json
import subprocess
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from .told import Incident, Told

HERE = Path(__file__).parent


@cache
def code() -> str:
    """Commit that is running; ``+`` where files were changed since."""
    asked = ["git", "describe", "--always", "--exclude=*", "--dirty=+"]
    found = subprocess.run(asked, cwd=HERE, capture_output=True, text=True, check=True)
    return found.stdout.strip()


@dataclass(slots=True)
class Rows:
    """Results by number, the last of a number counts."""

    told: dict[int, Told] = field(default_factory=dict)
    quiet: dict[int, list[str]] = field(default_factory=dict)
    codes: dict[str, dict[int, str]] = field(default_factory=lambda: {"incident": {}, "hour": {}})
    """``incident`` or ``hour`` -> number -> the code it was got with."""

    def take(self, number: int, result: Told | list[str], keep: Path | None, seed: int) -> None:
        """One more, and a line of it in ``keep``."""
        line: dict[str, Any] = {"seed": seed, "code": code()}
        if isinstance(result, Told):
            line |= {"incident": number, "told": asdict(result)}
        else:
            line |= {"hour": number, "alarms": result}
        self.place(line)
        if keep is not None:
            with keep.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")

    def place(self, line: dict[str, Any]) -> None:
        """A line as it stands in a file."""
        if "hour" in line:
            self.quiet[line["hour"]] = line["alarms"]
        else:
            self.told[line["incident"]] = _told(line["told"])
        kind = "hour" if "hour" in line else "incident"
        self.codes[kind][line[kind]] = line["code"]

    def by_code(self, kind: str) -> str:
        """How many ``incident`` or ``hour`` lines came of which code."""
        return ", ".join(f"{code} ({count})" for code, count in Counter(self.codes[kind].values()).items()) or "none"

    def incidents(self) -> list[Told]:
        """In order."""
        return [self.told[number] for number in sorted(self.told)]

    def hours(self) -> list[list[str]]:
        """In order."""
        return [self.quiet[number] for number in sorted(self.quiet)]


def _told(found: dict[str, Any]) -> Told:
    return Told(**{**found, "incident": Incident(**found["incident"]), "early": tuple(found["early"])})


def read(files: Iterable[Path], seed: int) -> Rows:
    """What earlier runs kept; lines of another seed are an error, a line cut off at the end is not."""
    rows = Rows()
    for path in files:
        for text in path.read_text(encoding="utf-8").splitlines(keepends=True):
            if not text.endswith("\n"):
                continue
            line = json.loads(text)
            if line["seed"] != seed:
                raise SystemExit(f"{path}: a line of seed {line['seed']}; this table is of seed {seed}")
            rows.place(line)
    return rows
