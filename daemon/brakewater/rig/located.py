"""Something of a rig file with its place in it."""

from dataclasses import dataclass
from typing import Any, Generic, TypeVar

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True, kw_only=True)
class At(Generic[_T]):
    """Something with its place in the file."""

    path: tuple[Any, ...]
    item: _T
    brake: str | None
