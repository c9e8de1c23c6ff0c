"""All of one brake that is worked out once a second: energy, lag-free heat, duty and share, rotor, forecasts.

What each needs stands in the rig file; what is not there is left out (``derived``). A scan shows what its last whole
second gave. The state goes over a restart where what it hangs on is the same.
"""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from brakewater.engine import worked
from brakewater.engine.bearing import Bearing
from brakewater.engine.energy import Energy
from brakewater.engine.excitation import Excitation
from brakewater.engine.held import Held
from brakewater.engine.hoisting import Hoisting, Sensed, duty_held
from brakewater.engine.lag_free import LagFree
from brakewater.engine.outlook import TankOutlook
from brakewater.engine.rotor import RotorSense, RotorWatch
from brakewater.engine.seconds import Groups, Seconds
from brakewater.engine.tank_balance import TankSense
from brakewater.engine.usual import UsualReturn
from brakewater.physics import fluid
from brakewater.physics.balance import Circuit
from brakewater.physics.duty import TorqueLaw
from brakewater.physics.uncertainty import Spread, Spreads
from brakewater.quality import Pair, Reason, alone
from brakewater.rig import Brake, Rig
from brakewater.rig.roles import ROLES
from brakewater.rig.rotor_model import rotor_model
from brakewater.stream import Column, Ints

_NAMES: Final = {
    "flow": "inlet-flow",
    "back": "return-flow",
    "inlet": "inlet-temperature",
    "outlet": "outlet-temperature",
    "level": "brake-level",
    "rate": "level_rate_m_s",
    "service": "in-service",
    "hook": "hook-load",
    "block": "block-position",
    "drum": "drum-speed",
    "coil": "coil-current",
    "asked": "coil-commanded",
    "tank": "tank-temperature",
    "ambient": "ambient-temperature",
    "content": "tank-level",
}
"""Short name of a group's column -> role or derived quantity."""
RIG_WIDE: Final = ("hook-load", "block-position", "tank-temperature", "ambient-temperature", "tank-level")
ENERGY: Final = ("energy_j", "energy_std_j", "heat_lag_free_w")
BEARING: Final = ("time_to_bearing_s", "time_to_bearing_early_s")
DUTY: Final = ("duty_w", "duty_std_w", "heat_share", "heat_share_std")
TORQUE: Final = ("torque_index", "torque_index_std")
ROTOR: Final = ("rotor_temperature_degc", "rotor_temperature_std_k")
RETURN: Final = ("return_drop_m3_s",)
EXCITATION: Final = ("excitation_share",)
TANK: Final = (
    "time_to_inlet_limit_s",
    "time_to_inlet_limit_early_s",
    "time_to_outlet_limit_s",
    "time_to_outlet_limit_early_s",
)


def has_duty(rig: Rig) -> bool:
    """Hook load, block and the hoist are known."""
    return rig.hoist is not None and all(rig.role(role) is not None for role in ("hook-load", "block-position"))


def has_torque(rig: Rig, brake: Brake) -> bool:
    """So is what the torque law needs."""
    signals = (rig.role(role, brake.name) for role in ("drum-speed", "coil-current"))
    return has_duty(rig) and brake.torque is not None and all(signals)


def has_asked(rig: Rig, brake: Brake) -> bool:
    """The coil's current is known, and what it should be."""
    return all(rig.role(role, brake.name) is not None for role in ("coil-current", "coil-commanded"))


def has_tank(rig: Rig) -> bool:
    """One brake on one tank, and the air: of several brakes the heat of each alone would mislead."""
    return len(rig.tanks) == 1 and len(rig.brakes) == 1 and rig.role("ambient-temperature") is not None


def derived(rig: Rig, brake: Brake) -> tuple[str, ...]:
    """What is worked out for a brake of this rig."""
    found: tuple[str, ...] = ENERGY + BEARING
    found += DUTY if has_duty(rig) else ()
    found += TORQUE if has_torque(rig, brake) else ()
    found += RETURN if rig.role("return-flow", brake.name) is not None else ()
    found += EXCITATION if has_asked(rig, brake) else ()
    found += ROTOR if brake.rotor is not None else ()
    found += worked.QUANTITIES if rig.upkeep is not None else ()
    return found + (TANK if has_tank(rig) else ())


class Slow:
    """Of one brake."""

    def __init__(self, rig: Rig, brake: Brake, circuit: Circuit, spreads: Spreads) -> None:
        self._derived = derived(rig, brake)
        there = [name for name, role in _NAMES.items() if role not in ROLES or _role(rig, brake, role)]
        self._roles = [_NAMES[name] for name in there]
        self._seconds = Seconds(rig.scan_ns, there)
        step, lag_s = self._seconds.step_s, brake.thermowell_lag / 1e9
        self._energy = Energy(circuit, spreads, step)
        self._lag_free = LagFree(circuit, lag_s, step, brake.housing_area)
        level = rig.role("brake-level", brake.name)
        level_std = float((level.spread if level else Spread()).std(np.array([brake.bearing_level]))[0])
        self._bearing = Bearing(brake, level_std, step)
        self._hoisting = Hoisting(_sensed(rig, brake, circuit, spreads), step) if has_duty(rig) else None
        self._torque = has_torque(rig, brake)
        self._rotor = None
        model = rotor_model(brake)
        if model is not None:
            sense = RotorSense(
                model=model,
                wetting_m3_s=brake.wetting_flow,
                lag_s=lag_s,
                area_m2=brake.housing_area or 0.0,
                outlet=spreads.outlet,
            )
            self._rotor = RotorWatch(sense, step)
        self._return = UsualReturn() if "back" in there else None
        self._excitation = Excitation(brake) if has_asked(rig, brake) else None
        self._tank = TankOutlook(brake, _tank_sense(rig, brake, circuit, spreads), step) if has_tank(rig) else None
        self._stages: dict[str, Any] = {
            name: stage
            for name, stage in (
                ("seconds", self._seconds),
                ("energy", self._energy),
                ("lag-free", self._lag_free),
                ("bearing", self._bearing),
                ("hoisting", self._hoisting),
                ("rotor", self._rotor),
                ("tank", self._tank),
                ("return", self._return),
                ("excitation", self._excitation),
            )
            if stage is not None
        }
        self._standing = dict.fromkeys(self._derived, (0.0, int(Reason.NO_BASIS)))
        self._standing["energy_j"] = self._standing["energy_std_j"] = (0.0, int(Reason.GOOD))
        self.worked = worked.Worked(step, brake=brake.name, by_hoist=has_duty(rig)) if rig.upkeep is not None else None
        """No stage like the others: what it counts outlives a change of sensors, so its brake keeps it apart."""
        self._lone: dict[str, Column] = {}
        """What lone scans show of what stands, until the next group is whole."""
        self._show_worked()

    def feed(self, t_ns: Ints, columns: Mapping[str, Column]) -> "Shown":
        """What each quantity shows at each of [n] scans.

        Args:
            t_ns: [n] steady time.
            columns: by role or derived quantity.
        """
        waiting, every = self._seconds.waiting, self._seconds.every
        groups = self._seconds.feed(t_ns, [columns[role] for role in self._roles])
        before: Mapping[str, Pair] = self._standing
        held: dict[str, Held] = {}
        if groups is not None:
            self._lone = {}
            with np.errstate(over="ignore", invalid="ignore"):  # garbage may overflow; what comes of it is held or bad
                held = self._worked_out(groups)
        if held:
            self._standing = {name: one.last for name, one in held.items()}
        return Shown(before, held, (len(t_ns), waiting, every), self._lone)

    def _worked_out(self, groups: Groups) -> dict[str, Held]:
        energy, added = self._energy.feed(groups)
        water = self._lag_free.feed(groups)
        found = {**energy, "heat_lag_free_w": water.heat_w, **self._bearing.feed(groups)}
        if self.worked is not None:
            found |= self.worked.feed(groups, worked.heat_mj(added))
        duty, share, starts = None, None, list[int]()
        if self._hoisting is not None:
            duty = self._hoisting.duty(groups)
            starts = self._hoisting.starts(duty.lowering)
            found |= duty_held(duty) | self._hoisting.stands(groups, duty, added, starts)
            share = found["heat_share"], found["heat_share_std"]
        if self._rotor is not None:
            found |= self._rotor.feed(groups, water, duty, share)
        if self.worked is not None and duty is not None:
            modelled = None if self._rotor is None else self._rotor.to_water_w
            self.worked.stands(found, duty, water, modelled, starts)
        if self._tank is not None:
            found |= self._tank.feed(groups, water)
        if self._return is not None:
            found |= self._return.feed(groups)
        if self._excitation is not None:
            found |= self._excitation.feed(groups)
        return found

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "stages": {name: stage.state() for name, stage in self._stages.items()},
            "standing": {name: list(pair) for name, pair in self._standing.items()},
        }

    def fits(self, kept: Mapping[str, Any]) -> bool:
        """Whether a snapshot made with the same definition is one of this version, by the names in it."""
        return _names_in(kept) == _names_in(self.state())

    def restore(self, kept: Mapping[str, Any]) -> None:
        """Go on from a snapshot made with the same definition."""
        for name, stage in self._stages.items():
            if name in kept["stages"]:  # a record of before there was such a stage
                stage.restore(kept["stages"][name])
        self._standing, self._lone = {name: (pair[0], pair[1]) for name, pair in kept["standing"].items()}, {}

    def restore_worked(self, kept: dict[str, Any]) -> None:
        """Go on counting, whatever else changed."""
        if self.worked is not None:
            self.worked.restore(kept)
            self._show_worked()

    def _show_worked(self) -> None:
        if self.worked is not None:
            self._standing, self._lone = self._standing | self.worked.shown, {}


class Shown:
    """What stood before a block of scans, and what its groups brought."""

    def __init__(
        self,
        before: Mapping[str, Pair],
        held: Mapping[str, Held],
        cut: tuple[int, int, int],
        lone: dict[str, Column],
    ) -> None:
        """Bind them.

        Args:
            before: what stood.
            held: what the groups brought.
            cut: scans of the block, scans that waited before it, scans of a group.
            lone: columns of lone scans since the last group was whole, that of now among them; grows.
        """
        self._before, self._held, self._cut, self._lone = before, held, cut, lone

    def __contains__(self, name: str) -> bool:
        return name in self._before

    def column(self, name: str) -> Column:
        """One quantity at each scan: that of its last whole group."""
        n, waiting, every = self._cut
        if n == 1:
            if name not in self._lone:
                self._lone[name] = self._of_one(name, (waiting + 1) // every)
            return self._lone[name]
        if name not in self._held:
            value, code = self._before[name]
            return Column(values=np.full(n, value), codes=np.full(n, code, np.uint8))
        return self._held[name].after(self._before[name], (waiting, every, n))

    def _of_one(self, name: str, done: int) -> Column:
        if name in self._held:
            return self._held[name].at(done, self._before[name])
        value, code = self._before[name]
        return Column(values=np.array((value,)), codes=alone(code))


def _names_in(kept: Mapping[str, Any]) -> dict[str, list[str]]:
    stages: Mapping[str, Any] = kept.get("stages", {})
    return {name: sorted(stage) if isinstance(stage, dict) else [] for name, stage in stages.items()}


def _role(rig: Rig, brake: Brake, role: str) -> bool:
    return rig.role(role, None if role in RIG_WIDE else brake.name) is not None


def _spread(rig: Rig, role: str) -> Spread:
    point = rig.role(role)
    return point.spread if point is not None else Spread()


def _sensed(rig: Rig, brake: Brake, circuit: Circuit, spreads: Spreads) -> Sensed:
    assert rig.hoist is not None
    law = None
    if brake.torque is not None:
        torque = brake.torque
        law = TorqueLaw(most_n_m=torque.most, critical_rad_s=torque.speed, rated_a=torque.current)
    warm = np.array([45.0])
    water = fluid.density_kg_m3(circuit.fluid, warm) * fluid.cp_j_kg_k(circuit.fluid, warm)
    held = float(water[0]) * (brake.housing_area or 0.0) * 0.5 * brake.bearing_level
    iron = brake.rotor.surface + brake.rotor.core if brake.rotor is not None else 0.0
    return Sensed(
        hoist=rig.hoist,
        load=_spread(rig, "hook-load"),
        block=_spread(rig, "block-position"),
        correlation=spreads.correlation,
        law=law,
        wetting_m3_s=circuit.wetting_flow_m3_s,
        water_j_k=held + iron,
    )


def _tank_sense(rig: Rig, brake: Brake, circuit: Circuit, spreads: Spreads) -> TankSense:
    warm = np.array([brake.inlet_limit])
    water = fluid.density_kg_m3(circuit.fluid, warm) * fluid.cp_j_kg_k(circuit.fluid, warm)
    return TankSense(
        capacity_j_k=float(water[0]) * rig.tanks[0].volume,
        inlet_std_k=float(spreads.inlet.std(warm)[0]),
        outlet_std_k=float(spreads.outlet.std(np.array([brake.outlet_limit]))[0]),
        other_w=rig.tanks[0].other_heat,
        from_tank=rig.role("tank-temperature") is not None,
        full_m=rig.tanks[0].height if rig.role("tank-level") is not None else None,
    )
