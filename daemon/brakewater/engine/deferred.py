"""A mapping whose values are worked out when somebody asks, and kept: what no alarm looks at costs a replay nothing."""

from collections.abc import Callable, Collection, Iterator, Mapping
from typing import TypeVar

K = TypeVar("K")
V = TypeVar("V")


class Deferred(Mapping[K, V]):
    """Values by key, each made at most once.

    What ``make`` looks at must not change any more: the columns of a block, never the state of a stage.
    """

    __slots__ = ("_keys", "_made", "_make")

    def __init__(self, keys: Collection[K], make: Callable[[K], V]) -> None:
        """Keys in order, and what makes the value of one; a key that is not among them may be made all the same."""
        self._keys, self._make = keys, make
        self._made: dict[K, V] = {}

    def __getitem__(self, key: K) -> V:
        try:
            return self._made[key]
        except KeyError:
            value = self._made[key] = self._make(key)
            return value

    def __iter__(self) -> Iterator[K]:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)

    def __reduce__(self) -> tuple[type[dict[K, V]], tuple[dict[K, V]]]:
        # A mirror going back carries the engine with it: what was put off is worked out now.
        return dict, (dict(self),)
