"""A sentence as the names of its words and what fills their places, so that each reader gets it in their language."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from brakewater.wording import ENGLISH, Wording


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """One sentence, or a part of one."""

    name: str
    """In the catalogue of words."""
    places: Mapping[str, "str | Sentence"]

    def text(self, words: Wording = ENGLISH) -> str:
        """In a language."""
        filled = {key: one.text(words) if isinstance(one, Sentence) else one for key, one in self.places.items()}
        return words.word(self.name, **filled)

    def document(self) -> list[Any]:
        """As JSON and other processes carry it: name, then places; a part within a place is such a list again."""
        return [
            self.name,
            {key: one.document() if isinstance(one, Sentence) else one for key, one in self.places.items()},
        ]


def sentence(name: str, /, **places: "str | Sentence") -> Sentence:
    """A sentence by its name."""
    return Sentence(name=name, places=places)


def of_document(document: list[Any]) -> Sentence:
    """What ``Sentence.document`` made."""
    name, places = document
    return sentence(name, **{key: of_document(one) if isinstance(one, list) else one for key, one in places.items()})
