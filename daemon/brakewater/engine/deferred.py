"""A mapping whose values are worked out when somebody asks, and kept: what no alarm looks at costs a replay nothing."""

from collections.abc import Callable, Iterator, Mapping
from typing import TypeVar

K = TypeVar("K")
V = TypeVar("V")


class Deferred(Mapping[K, V]):
    """Values by key, each made at most once.

    What ``make`` looks at must not change any more: the columns of a block, never the state of a stage.
    """

    __slots__ = ("_made", "_make")

    def __init__(self, make: Mapping[K, Callable[[], V]]) -> None:
        self._make = make
        self._made: dict[K, V] = {}

    def __getitem__(self, key: K) -> V:
        try:
            return self._made[key]
        except KeyError:
            value = self._made[key] = self._make[key]()
            return value

    def __iter__(self) -> Iterator[K]:
        return iter(self._make)

    def __len__(self) -> int:
        return len(self._make)
