"""A rig's devices as Modbus TCP servers in front of one plant, in real time or faster.

    playback = Playback(scenario, rig, seed=1, speed=1.0)          # plant warmed up, its clock not yet running
    await serve(playback, rig, ports={}, say=print, stop=event)    # until the event is set

A device that the scenario silences takes connections and requests and says nothing. After the scenario's end the last
state stays: values stand, while heartbeats beat and counters count on, as those of a device that lives. Devices of one
host and port are units behind one server, as behind a gateway.
"""

import asyncio
import errno
import os
import socket
from collections.abc import Callable, Mapping
from contextlib import AsyncExitStack
from dataclasses import replace
from itertools import groupby
from random import Random
from time import monotonic_ns
from typing import Final

from brakewater.rig import Device, Rig, Table
from brakewater_sim import modbus
from brakewater_sim.registers import Registers, Wiring
from brakewater_sim.scenarios import Scenario
from brakewater_sim.simulate import STEP_NS, Simulation, Tick

KEEP_UP_S: Final = 0.05
"""The plant moves on at least this often, asked or not."""
MOST_NS: Final = 400 * STEP_NS
"""The plant moves on at most this far at once (about 15 ms of work), so that every request finds an ear."""


class Playback:
    """A scenario under way by the machine's clock.

    Args:
        scenario: what happens.
        rig: whose registers show it.
        seed: of noise and waves.
        speed: seconds of the scenario in one second; more than the machine can do is as fast as it can.
    """

    def __init__(self, scenario: Scenario, rig: Rig, *, seed: int = 1, speed: float = 1.0) -> None:
        self._wiring, self._speed = Wiring(rig), speed
        self._end_ns = round(scenario.length_s * 1e9)
        self._simulation = Simulation(scenario, seed)
        self._tick = self._simulation.advance_to(0)
        self._registers = self._wiring.registers(self._tick)
        self._shown_ns = 0
        """Of what the registers hold, from the scenario's start."""
        self._began_ns: int | None = None
        self.behind = False
        """More of the scenario is due at once than the last move was allowed to take."""
        self._lost_one_in = scenario.lost_one_in
        self._draw = Random(f"{seed}:answers")  # noqa: S311 - luck, no secret

    def begin(self) -> None:
        """The scenario's clock starts now."""
        self._began_ns = monotonic_ns()

    def now(self) -> Registers:
        """What the registers hold at this moment."""
        if self._began_ns is None:
            return self._registers
        due_ns = int((monotonic_ns() - self._began_ns) * self._speed)
        wanted_ns = min(due_ns, self._end_ns)
        t_ns = min(wanted_ns, self._tick.t_ns + MOST_NS)
        self.behind = wanted_ns > t_ns
        if t_ns - self._tick.t_ns >= STEP_NS:
            self._tick = self._simulation.advance_to(t_ns)
            self._show(self._tick)
        elif self.ended and due_ns - self._shown_ns >= STEP_NS:
            self._show(replace(self._tick, t_ns=due_ns))
        return self._registers

    def _show(self, tick: Tick) -> None:
        self._registers, self._shown_ns = self._wiring.registers(tick), tick.t_ns

    def loses(self) -> bool:
        """Whether the next answer is lost on its way."""
        return self._lost_one_in > 0 and self._draw.randrange(self._lost_one_in) == 0

    @property
    def ended(self) -> bool:
        """The scenario is over; its last state stays."""
        return self._end_ns - self._tick.t_ns < STEP_NS


class _Line(asyncio.Protocol):
    """One connection; ``lines`` holds all that are open."""

    def __init__(self, units: Mapping[int, str], playback: Playback, lines: set[asyncio.Transport]) -> None:
        self._units, self._playback, self._lines = units, playback, lines
        self._buffer = bytearray()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._lines.add(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        del exc
        self._lines.discard(self._transport)

    def pause_writing(self) -> None:
        """Who does not take its answers is not heard either, until it does."""
        self._transport.pause_reading()

    def resume_writing(self) -> None:
        self._transport.resume_reading()

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        try:
            while (taken := modbus.take_frame(self._buffer)) is not None:
                self._answer(*taken)
        except modbus.NotModbusError:
            self._transport.close()

    def _answer(self, transaction: int, unit: int, request: bytes) -> None:
        device = self._units.get(unit)
        if device is None:
            self._transport.write(modbus.frame(transaction, unit, modbus.refusal(request, modbus.NO_SUCH_UNIT)))
            return
        registers = self._playback.now()
        if device in registers.silent or self._playback.loses():
            return

        def read(table: Table, address: int, count: int) -> list[int] | None:
            return registers.read((device, table), address, count)

        self._transport.write(modbus.frame(transaction, unit, modbus.answer(request, read)))


async def serve(
    playback: Playback, rig: Rig, *, ports: Mapping[str, int], say: Callable[[str], None], stop: asyncio.Event
) -> None:
    """Serve every device of a rig until told to stop.

    Args:
        playback: the plant behind them; its clock starts when all devices listen.
        rig: the devices.
        ports: device name -> port instead of the rig file's; 0 takes any free one.
        say: gets one line a device once it listens, and one when the scenario has ended.
        stop: ends it.

    Raises:
        OSError: a port is in use or may not be had; says which and what to do.
    """
    lines: set[asyncio.Transport] = set()
    async with AsyncExitStack() as stack:
        stack.callback(_hang_up, lines)
        ready = [line for group in _groups(rig, ports) for line in await _listen(group, playback, lines, stack)]
        playback.begin()
        for line in ready:
            say(line)
        told = False
        while not stop.is_set():
            playback.now()
            if playback.ended and not told:
                say("the scenario has ended; its last state stays until this is stopped (Ctrl-C)")
                told = True
            if playback.behind:  # a pause between the moves would be slower than the machine
                await asyncio.sleep(0)
                continue
            try:
                await asyncio.wait_for(stop.wait(), KEEP_UP_S)
            except TimeoutError:
                continue
    await asyncio.sleep(0)  # lets the lines that were hung up close


def _hang_up(lines: set[asyncio.Transport]) -> None:
    for line in lines:
        line.abort()


def _groups(rig: Rig, ports: Mapping[str, int]) -> list[tuple[str, int, list[Device]]]:
    """Devices by host and port."""
    at = [(device.host, ports.get(device.name, device.port), device) for device in rig.devices]
    at.sort(key=lambda row: row[:2])
    groups = [(host, port, [row[2] for row in rows]) for (host, port), rows in groupby(at, lambda row: row[:2])]
    return [
        part
        for host, port, devices in groups
        for part in ([(host, port, devices)] if port else [(host, port, [device]) for device in devices])
    ]


def _remedy(error: OSError) -> str:
    if error.errno == errno.EADDRNOTAVAIL or isinstance(error, socket.gaierror):
        return (
            "the simulator answers at an address of this machine: "
            'set host = "127.0.0.1" in a copy of the rig file, and watch with that copy'
        )
    if error.errno == errno.EACCES:
        return "a port below 1024 is for root: set a higher one in a copy of the rig file, and watch with that copy"
    return "end what listens there, or give another port"


async def _listen(
    group: tuple[str, int, list[Device]], playback: Playback, lines: set[asyncio.Transport], stack: AsyncExitStack
) -> list[str]:
    host, port, devices = group
    units = {device.unit: device.name for device in devices}
    try:
        server = await asyncio.get_running_loop().create_server(lambda: _Line(units, playback, lines), host, port)
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno and error.errno > 0 else error.strerror or str(error)
        raise OSError(f"{host}:{port} for {', '.join(units.values())}: {reason}; {_remedy(error)}") from error
    stack.callback(server.close)
    real = server.sockets[0].getsockname()[1]
    return [f"serving {name} at {host}:{real}" for name in units.values()]
