"""Everything that goes out to PLCs and comes back from their buttons, as one part of the watch."""

from collections.abc import Callable, Mapping
from typing import Any

from brakewater.field.lamp_writes import LampWriter, all_written
from brakewater.field.newest import Newest
from brakewater.field.outstation import Outstation
from brakewater.field.own import Gauge
from brakewater.field.presses import Ask, PushButtons
from brakewater.register_image import Links
from brakewater.rig import Rig
from brakewater.stream import Latest


class Plcs:
    """Outstation, lamp writes and push-buttons, as far as the rig file has them."""

    def __init__(self, rig: Rig, ask: Ask, links: Callable[[], Links], scanned_ns: Callable[[], int]) -> None:
        """Nothing is opened yet.

        Args:
            rig: says what there is.
            ask: takes what buttons ask for.
            links: how the watch's other sides do.
            scanned_ns: monotonic time of the last scan.
        """

        def newest() -> Newest:
            return Newest(rig, links, scanned_ns)

        self._outstation = Outstation(rig, newest(), ask) if rig.registers is not None else None
        self._writers = [LampWriter(rig, mailbox, newest()) for mailbox in rig.mailboxes]
        self._buttons = PushButtons(rig, ask)

    @property
    def outputs(self) -> tuple[Latest, ...]:
        """What takes each new picture."""
        return (*((self._outstation,) if self._outstation else ()), *self._writers, self._buttons)

    @property
    def gauges(self) -> Mapping[str, Gauge]:
        """For the device ``self``."""
        return {"self.lamp-writes": lambda: int(all_written(self._writers))} if self._writers else {}

    async def open(self) -> None:
        """Begin to answer and to write."""
        if self._outstation is not None:
            await self._outstation.open()
        for writer in self._writers:
            writer.start()

    async def close(self) -> None:
        """Stop both."""
        if self._outstation is not None:
            await self._outstation.close()
        for writer in self._writers:
            await writer.close()

    def figures(self) -> dict[str, Any]:
        """For the status; None for what the rig file does not have."""
        return {
            "outstation": self._outstation.figures() if self._outstation else None,
            "lamp_writes": {writer.name: writer.figures() for writer in self._writers},
            "push_buttons": self._buttons.figures(),
        }
