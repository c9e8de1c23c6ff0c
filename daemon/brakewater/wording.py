"""The words people read, a folder of three tables a language under ``words/``; nothing here computes anything.

``sentences.json`` holds what alarms and events say, by the fields of ``Wording``; ``pages.json`` the fixed words of
pages, rounds and reasons; ``papers.json`` those of reports and sheets alone, which no page has to carry. Placeholders:
``{what}`` the alarm's name with its subject and brake, ``{numbers}`` what was measured and set (or nothing),
``{actor}`` who did it. A crew translates by adding a folder named by its ISO 639-1 code; a test holds it to the keys
and placeholders of English.
"""

import json
import string
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from brakewater.alarms.lifecycle import State

FOLDER: Final = Path(__file__).parent / "words"
_BY_STATE: Final = frozenset({"moves", "moves_by_actor", "lifted", "stands", "tested"})


class _Counted(string.Formatter):
    """A place such as ``{n:trip|trips}`` takes the one word behind a 1 and the other behind any other number."""

    def format_field(self, value: Any, format_spec: str) -> str:
        """The filled place."""
        one, is_counted, many = format_spec.partition("|")
        return f"{value} {one if str(value) == '1' else many}" if is_counted else format(value, format_spec)


_COUNTED: Final = _Counted()


@dataclass(frozen=True, slots=True, kw_only=True)
class Wording:
    """One language."""

    alarms: Mapping[str, str]
    """Kind of alarm -> its name; ``{subject}`` stands for the point or device."""
    responses: Mapping[str, str]
    """Kind of alarm -> what to do; where it lacks, the catalogue's own sentence stands."""
    on_brake: str
    """An alarm's name where the rig has several brakes: ``{what}``, ``{brake}``."""
    measured_and_set: str
    """``{value}`` and ``{setpoint}`` with their units."""
    measured: Mapping[str, str]
    """Kind of alarm -> the same, where what is judged is no plain measured value.

    ``{percent}`` and ``{limit_percent}`` of a share, ``{minutes}`` and ``{limit_minutes}`` of a time.
    """
    unknown: str
    """In place of a value: ``{reason}``."""
    because: str
    """For alarms without a value: ``{reason}``."""
    moves: Mapping[State, str]
    """A transition into a state, by itself."""
    moves_by_actor: Mapping[State, str]
    """A transition into a state by a person."""
    lifted: Mapping[State, str]
    """What is said of a mask that was taken off while something else is left to be shown."""
    reasons: Mapping[str, str]
    """By an event's ``why``, where that says more than the state it led to."""
    noted: str
    """Behind a sentence: ``{note}``, a person's reason or what a setting was and became."""
    follows: str
    """Behind a sentence: ``{cause}``, the standing alarm that this one follows from."""
    stands: Mapping[State, str]
    """An alarm as it stands."""
    tested: Mapping[State, str]
    """A transition that belongs to a test by hand."""
    stands_tested: str
    """An alarm under test as it stands: ``{actor}`` who tests, ``{until}``, ``{text}`` what a real one would say."""
    respond_tested: str
    """In place of the response."""
    on: str
    off: str
    no_value: str
    """In place of a value that means nothing."""
    pages: Mapping[str, str]
    """Fixed words by name, each with placeholders of its own."""
    papers: Mapping[str, str]
    """The same of reports and sheets; no name stands in both."""

    def word(self, name: str, /, **places: object) -> str:
        """A fixed word with its places filled; a name without a word stands for itself, as a rig file's own do."""
        text = self.pages.get(name) or self.papers.get(name)
        return name if text is None else _COUNTED.format(text, **places)

    def reason(self, code: str) -> str:
        """Why a value is not good, from its ``quality.reason_name``; a code that is not known stands for itself."""
        return self.pages.get(f"reason-{code}", code)


def read(folder: Path) -> Wording:
    """A language from its folder.

    Raises:
        OSError, ValueError, TypeError: a table is not there, is no JSON, or lacks a field.
    """
    tables: dict[str, Any] = json.loads((folder / "sentences.json").read_text(encoding="utf-8"))
    fixed = {
        name: MappingProxyType(json.loads((folder / f"{name}.json").read_text(encoding="utf-8")))
        for name in ("pages", "papers")
    }
    names = {one.name for one in fields(Wording)}
    found = {name: _table(name, value) for name, value in tables.items() if name in names}
    return Wording(**found, pages=fixed["pages"], papers=fixed["papers"])


def _table(name: str, value: Any) -> Any:
    if name in _BY_STATE:
        return MappingProxyType({State(state): sentence for state, sentence in value.items()})
    return MappingProxyType(value) if isinstance(value, dict) else value


ENGLISH: Final = read(FOLDER / "en")

LANGUAGES: Final[Mapping[str, Wording]] = MappingProxyType(
    {"en": ENGLISH}
    | {folder.name: read(folder) for folder in sorted(FOLDER.iterdir()) if folder.is_dir() and folder.name != "en"}
)
"""By their ISO 639-1 code; the first one is what a reader gets who names none that is there."""
