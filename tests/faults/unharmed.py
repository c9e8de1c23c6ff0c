"""A link that meets no fault beside those that do: what it misses, the machine made it miss.

Its device, its line and its deadlines are those of the others, in the same process and on the same event loop.
"""

import asyncio
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import cycle

from brakewater.field.link import Read, Table
from brakewater.quality import Status

from .device import Transport
from .matrix import UNIT, assert_genuine, stand

_EVERY_S = 0.05
_KEPT = 20_000


@dataclass(kw_only=True)
class Unharmed:
    """What the requests of one such link came to."""

    transport: Transport
    asked: int = 0
    missed: int = 0
    held_up_s: float = 0.0
    """The longest that the event loop itself was late: nothing in this process can begin sooner."""
    _newest: deque[tuple[float, bool]] = field(default_factory=lambda: deque(maxlen=_KEPT))

    async def run(self, seconds: float, latency_s: float, deadlines_s: Sequence[float]) -> None:
        """Ask, a while; a wrong value raises AssertionError as everywhere."""
        time = asyncio.get_running_loop().time
        end = time() + seconds
        async with stand(self.transport, latency_s) as (device, link):
            for deadline_s in cycle(deadlines_s):
                if time() >= end:
                    return
                sent, began = link.requests, time()
                read = Read(unit=UNIT, table=Table.INPUT, address=self.asked % 9000, count=10)
                answer = await link.read(read, deadline_s)
                assert_genuine(read, answer, device.number)
                if link.requests > sent:
                    is_missed = answer.status != Status.OK
                    self.asked, self.missed = self.asked + 1, self.missed + is_missed
                    self._newest.append((began, is_missed))
                due = time() + _EVERY_S
                await asyncio.sleep(_EVERY_S)
                self.held_up_s = max(self.held_up_s, time() - due)

    def since(self, began: float) -> tuple[int, int]:
        """How many were missed since then, and of how many."""
        spell = [is_missed for at, is_missed in self._newest if at >= began]
        return sum(spell), len(spell)
