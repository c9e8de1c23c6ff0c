"""The outstation's coils: written 1 they are pressed once, and clear themselves."""

from collections.abc import Callable
from typing import Final

from brakewater.field.presses import BOUNCE_NS
from brakewater.register_map import COILS

HELD_NS: Final = 2_000_000_000
"""A button whose state is written again within this time is still held; an assumption: cyclic writes come faster."""
_MOST_WRITERS: Final = 64
_LONG_AGO: Final = -(2**62)


class _Writer:
    """What one peer wrote of its buttons."""

    __slots__ = ("closed", "closed_ns", "tells")

    def __init__(self) -> None:
        self.tells = False
        """It writes 0 as well, so its 1 is a state, not a press."""
        self.closed = [False] * len(COILS)
        self.closed_ns = [_LONG_AGO] * len(COILS)
        """When each was written 1 last."""

    def write(self, coil: int, value: bool, now_ns: int) -> bool:  # noqa: FBT001 - the coil's state
        """True for a press."""
        was = self.closed[coil]
        self.closed[coil] = value
        if not value:
            self.tells = True
            return False
        apart_ns, self.closed_ns[coil] = now_ns - self.closed_ns[coil], now_ns
        return apart_ns >= (HELD_NS if was and self.tells else BOUNCE_NS)


class Coils:
    """What peers wrote, and when.

    A coil stands at 1 for ``BOUNCE_NS`` after it was last written 1, then it is 0 again. Writing 1 to one that stands
    is the same press going on, so a PLC that writes its button's state again and again presses once. A 0 between two
    writes of 1 makes no second press of them within that time. Who writes 0 as well writes states: its button is held
    until it writes 0 or has written nothing for ``HELD_NS``, else one that sticks would acknowledge whatever comes.
    Each peer, told by its address, has buttons of its own: one that sticks does not take them from the others.
    """

    def __init__(self, press: Callable[[str], None]) -> None:
        """Calls ``press`` with the name of the coil."""
        self._press = press
        self._writers: dict[str, _Writer] = {}

    def write(self, coil: int, value: bool, now_ns: int, writer: str = "") -> None:  # noqa: FBT001 - the coil's state
        """Take what a peer wrote."""
        own = self._writers.pop(writer, None) or _Writer()
        self._writers[writer] = own  # the last to write stands last
        if len(self._writers) > _MOST_WRITERS:
            del self._writers[next(iter(self._writers))]
        if own.write(coil, value, now_ns):
            self._press(COILS[coil][0])

    def bits(self, now_ns: int) -> int:
        """Coils as they stand, coil 0 the lowest bit."""
        return sum(
            any(now_ns - one.closed_ns[at] < BOUNCE_NS for one in self._writers.values()) << at
            for at in range(len(COILS))
        )
