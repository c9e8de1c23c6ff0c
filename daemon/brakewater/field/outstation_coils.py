"""The outstation's coils: written 1 they are pressed once, and clear themselves."""

from collections.abc import Callable
from typing import Final

from brakewater.field.presses import BOUNCE_NS
from brakewater.register_map import COILS

_LONG_AGO: Final = -(2**62)


class Coils:
    """What peers wrote, and when.

    A coil stands at 1 for ``BOUNCE_NS`` after it was last written 1, then it is 0 again. Writing 1 to one that stands
    is the same press going on, so a PLC that writes its button's state again and again presses once. A 0 between two
    writes of 1 makes no second press of them within that time.
    """

    def __init__(self, press: Callable[[str], None]) -> None:
        """Calls ``press`` with the name of the coil."""
        self._press = press
        self._held_ns = [_LONG_AGO] * len(COILS)

    def write(self, coil: int, value: bool, now_ns: int) -> None:  # noqa: FBT001 - the coil's state
        """Take what a peer wrote."""
        if not value:
            return
        is_new = now_ns - self._held_ns[coil] >= BOUNCE_NS
        self._held_ns[coil] = now_ns
        if is_new:
            self._press(COILS[coil][0])

    def bits(self, now_ns: int) -> int:
        """Coils as they stand, coil 0 the lowest bit."""
        return sum((now_ns - held_ns < BOUNCE_NS) << at for at, held_ns in enumerate(self._held_ns))
