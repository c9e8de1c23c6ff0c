"""Collects the faults of one rig file, each with its line."""

import difflib
from collections.abc import Iterable, Sequence
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
        line, key = self._lines.of(path), shown(path)
        fault = Fault(file=self._file, line=line, key=key, found=_short(found), allowed=allowed, hint=hint)
        self._found.append(fault)

    def add_choice(self, path: tuple[Any, ...], found: str, known: Iterable[str]) -> None:
        """One that is not among the known ones."""
        words = list(known)
        self.add(path, repr(found), choices(found, words), near(found, words))

    def add_validation(self, base: Path, error: ValidationError, known: Iterable[str]) -> None:
        """All faults that a model found in one table."""
        words, found = list(known), error.errors()
        unknown = [str(item["loc"][-1]) for item in found if item["type"] == "extra_forbidden"]
        meant = {closest(key, words) for key in unknown}
        for item in found:
            path = (*base, *[part for part in item["loc"] if part != "[key]"])  # a key of a table stands for itself
            key = str(item["loc"][-1]) if item["loc"] else ""
            if item["type"] == "extra_forbidden":
                self.add(path, "an unknown key", choices(key, words), near(key, words))
            elif item["type"] == "missing":
                if key not in meant:  # else the misspelt key says it already
                    self.add(path, "nothing", "a value: this key is required")
            elif item["type"] == "quantity":
                context = item.get("ctx", {})
                self.add(path, str(context.get("found")), str(context.get("allowed")))
            else:
                self.add(path, repr(item["input"]), _allowed(key, item))

    @property
    def count(self) -> int:
        """How many so far."""
        return len(self._found)

    def blames(self, path: tuple[Any, ...]) -> bool:
        """Whether a key has a fault already."""
        key = shown(path)
        return any(fault.key == key for fault in self._found)

    def sorted(self) -> tuple[Fault, ...]:
        """In the order of the file, each once."""
        return tuple(dict.fromkeys(sorted(self._found, key=lambda fault: (fault.line, fault.key))))


def closest(word: str, known: Iterable[str]) -> str:
    """The known word that this one was to be, or the word itself."""
    words = list(known)
    if word in words:
        return word  # the common case, and the search is slow
    close = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
    return close[0] if close else word


def near(word: str, known: Iterable[str]) -> str:
    """A near-miss suggestion, or the empty text."""
    words = list(known)
    return f'did you mean "{close}"?' if (close := closest(word, words)) in words else ""


def choices(word: str, known: Sequence[str]) -> str:
    """What is allowed: all of it where that is short, else the nearest."""
    if len(known) <= _MANY:
        return ", ".join(known)
    nearest = difflib.get_close_matches(word, known, n=_NEAREST, cutoff=0.0)
    return f"{', '.join(nearest)} and {len(known) - len(nearest)} more"


_MANY = 8
_NEAREST = 4
_LONGEST = 100
_SAYS = {
    "int_parsing": "a whole number, without quotes",
    "int_type": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "float_parsing": "a number, without quotes",
    "bool_parsing": "true or false, without quotes",
    "string_type": 'text in quotes, for example "..."',
    "string_pattern_mismatch": "lower-case letters, digits and hyphens, beginning with a letter or digit, at most 48",
    "model_type": "a table of keys",
    "dict_type": "a table, for example { kind = ... }",
    "tuple_type": "a list in brackets",
    "too_short": "at least one",
}


def _allowed(key: str, item: Any) -> str:
    if key == "root":
        return "a topic without +, # and empty levels, for example brakewater/rig-4"
    return _SAYS.get(item["type"]) or _said(item)


def _said(item: Any) -> str:
    """What pydantic says, in fewer words."""
    message = str(item["msg"]).removeprefix("Input should be ")
    return message[0].lower() + message[1:]


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else text[:_LONGEST] + " ..."
