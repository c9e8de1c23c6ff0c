"""Collects the faults of one rig file, each with its line."""

import difflib
from collections.abc import Iterable
from typing import Any

from pydantic import ValidationError

from brakewater.errors import Fault
from brakewater.rig.lines import Lines, Path, shown


class Faults:
    """Every fault found so far."""

    def __init__(self, file: str, text: str) -> None:
        self._file = file
        self._lines = Lines(text)
        self._found: list[Fault] = []

    def add(self, path: tuple[Any, ...], found: str, allowed: str, hint: str = "") -> None:
        """One more fault."""
        self._found.append(
            Fault(file=self._file, line=self._lines.of(path), key=shown(path), found=found, allowed=allowed, hint=hint)
        )

    def add_validation(self, base: Path, error: ValidationError, known: Iterable[str]) -> None:
        """All faults that a model found in one table."""
        for item in error.errors():
            path = (*base, *item["loc"])
            key = str(item["loc"][-1]) if item["loc"] else ""
            if item["type"] == "extra_forbidden":
                self.add(path, "an unknown key", "the keys of this table", near(key, known))
            elif item["type"] == "missing":
                self.add(path, "nothing", "a value: this key is required")
            elif item["type"] == "quantity":
                context = item.get("ctx", {})
                self.add(path, str(context.get("found")), str(context.get("allowed")))
            else:
                self.add(path, repr(item["input"]), item["msg"][0].lower() + item["msg"][1:])

    @property
    def count(self) -> int:
        """How many so far."""
        return len(self._found)

    def sorted(self) -> tuple[Fault, ...]:
        """In the order of the file, each once."""
        return tuple(dict.fromkeys(sorted(self._found, key=lambda fault: (fault.line, fault.key))))


def near(word: str, known: Iterable[str]) -> str:
    """A near-miss suggestion, or the empty text."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f'did you mean "{close[0]}"?' if close else ""
