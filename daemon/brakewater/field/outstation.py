"""The outstation: the watch as a Modbus TCP server, so that a PLC can show lamps and press buttons.

Every request is answered from one consistent image of the newest picture, made when the first request after it comes.
pymodbus' server has no allow list, no bound on connections, bytes or silence, and no hook for self-clearing coils, so
the few functions a PLC needs are answered here (outstation_frames.py).

The server guards itself: allow list, eight connections of which one gives way to a new one (as the MODBUS Messaging on
TCP/IP Implementation Guide advises, 4.2; from memory), and the bounds of outstation_peer.py. It is the one silent for
longest of the address that has most of them, so that one that opens many takes no PLC's place. A port that cannot be
bound is tried again: the watch goes on without it. While the watch stands still coils are refused as busy: a press that
waited would be carried out seconds later, on alarms that nobody had seen then.
"""

import asyncio
import errno
import logging
from collections import Counter
from functools import partial
from ipaddress import IPv6Address, ip_address, ip_network
from time import monotonic_ns
from typing import Any, Final

from brakewater.errors import plainly
from brakewater.field.newest import Newest
from brakewater.field.outstation_coils import Coils
from brakewater.field.outstation_frames import Tables
from brakewater.field.outstation_peer import IDLE_S, Peer
from brakewater.field.presses import Ask, Presses
from brakewater.register_image import bits, image
from brakewater.register_map import COILS, Layout
from brakewater.rig import Rig
from brakewater.rig.outputs import Registers
from brakewater.stream import Picture

MOST_PEERS: Final = 8
_AGAIN_S: Final = 5.0
_MOST_STRANGERS: Final = 64

_log = logging.getLogger(__name__)


class Outstation:
    """Latest, for the loop; all in the loop's own thread."""

    def __init__(
        self, rig: Rig, newest: Newest, ask: Ask, *, idle_s: float = IDLE_S, again_s: float = _AGAIN_S
    ) -> None:
        """Not yet open.

        Args:
            rig: has a ``[registers]`` table.
            newest: nobody else's.
            ask: takes what the coils ask for.
            idle_s: a silent connection is closed after this, s.
            again_s: a port that cannot be bound is tried again after this, s.

        Raises:
            ValueError: the rig file has no ``[registers]``.
        """
        self._table = _table(rig)
        self.unit = self._table.unit
        self._layout = Layout(rig=rig)
        self._newest = newest
        self._presses = Presses(ask)
        self._coils = Coils(lambda button: self._presses.press(button, self._table.actor))
        self._allowed = [ip_network(text) for text in self._table.allow]
        self._idle_s, self._again_s = idle_s, again_s
        self._made: tuple[object, bytes, int] = (None, b"", 0)
        self._peers: set[Peer] = set()
        self._strangers: set[str] = set()
        self._requests = 0
        self._ended: Counter[str] = Counter()
        self._server: asyncio.Server | None = None
        self._opening: asyncio.Task[None] | None = None

    def show(self, picture: Picture) -> None:
        """Overwrite what was there."""
        self._newest.show(picture)

    async def open(self) -> None:
        """Listen, or say why not and try on in the background."""
        if not await self._bind(said=False):
            self._opening = asyncio.create_task(self._try_on(), name="outstation")

    async def close(self) -> None:
        """Stop listening and hang up."""
        if self._opening is not None:
            self._opening.cancel()
            await asyncio.gather(self._opening, return_exceptions=True)
        if self._server is not None:
            self._server.close()
        for peer in tuple(self._peers):
            peer.hang_up("the watch ends")
        await asyncio.sleep(0)  # asyncio closes the sockets in its next round

    def figures(self) -> dict[str, Any]:
        """For the status."""
        return {
            "listening": self._server is not None,
            "connections": len(self._peers),
            "requests": self._requests + sum(peer.requests for peer in self._peers),
            "ended": dict(sorted(self._ended.items())),
            "pressed": self._presses.pressed,
            "refused": self._presses.refused,
        }

    # ----------------------------------------------------------- for the peers

    def opened(self, peer: Peer) -> str | None:
        """Why a new peer may not stay."""
        if not self._may(peer.address):
            self._say_refused(peer.address)
            return "not allowed"
        if len(self._peers) >= MOST_PEERS:
            many = Counter(one.address for one in (*self._peers, peer))
            silent = min(self._peers, key=lambda one: (-many[one.address], one.asked_s))
            self._peers.discard(silent)
            silent.hang_up("gave way")
        self._peers.add(peer)
        return None

    def closed(self, peer: Peer, why: str) -> None:
        """A peer is gone."""
        self._requests += peer.requests
        self._peers.discard(peer)
        self._ended[why] += 1

    def tables(self, address: str) -> Tables:
        """The newest truth for a peer; made anew only where there is something new."""
        mark = self._newest.mark
        if self._made[0] != mark:
            registers = image(self._layout, self._newest.sight())
            self._made = (mark, registers, bits(self._layout, registers))
        _, registers, discrete = self._made
        return Tables(
            registers=registers,
            discrete=discrete,
            discrete_count=16 * len(self._layout.bit_words),
            coils=self._coils.bits(monotonic_ns()),
            coil_count=len(COILS),
            write=partial(self._write, address) if self._newest.heeds else None,
        )

    def _write(self, address: str, coil: int, value: bool) -> None:  # noqa: FBT001 - the coil's state
        self._coils.write(coil, value, monotonic_ns(), address)

    def _may(self, address: str) -> bool:
        try:
            seen = ip_address(address.partition("%")[0])
        except ValueError:
            return False
        if isinstance(seen, IPv6Address) and seen.ipv4_mapped is not None:
            seen = seen.ipv4_mapped
        return any(seen in network for network in self._allowed)

    def _say_refused(self, address: str) -> None:
        """Each once, so that a storm of them does not fill the log."""
        if address not in self._strangers and len(self._strangers) < _MOST_STRANGERS:
            self._strangers.add(address)
            _log.warning("outstation: %s is not in the rig file's allow list", address)

    # ------------------------------------------------------------------- port

    async def _try_on(self) -> None:
        while True:
            await asyncio.sleep(self._again_s)
            if await self._bind(said=True):
                return

    async def _bind(self, *, said: bool) -> bool:
        place = f"{self._table.host}:{self._table.port}"
        try:
            self._server = await asyncio.get_running_loop().create_server(
                lambda: Peer(self, self._idle_s), self._table.host, self._table.port, backlog=MOST_PEERS
            )
        except OSError as error:
            if not said:
                found = "another program listens there" if error.errno == errno.EADDRINUSE else plainly(error)
                _log.error("outstation: cannot listen on %s: %s; trying on, the watch goes on", place, found)
            return False
        _log.info("outstation listens on %s, unit %d", place, self.unit)
        return True


def _table(rig: Rig) -> Registers:
    if rig.registers is None:
        raise ValueError(f"{rig.file}: no [registers]")
    return rig.registers
