"""What the engine derives for one brake: rise, heat, margin, level rate, and whether it is watched."""

import hashlib
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from brakewater.engine.cross_check import CrossChecks, marked
from brakewater.engine.deferred import Deferred
from brakewater.engine.level import LevelRate
from brakewater.engine.rising import Rising
from brakewater.engine.vote import Vote
from brakewater.physics import balance, fluid, uncertainty
from brakewater.physics.uncertainty import Spread
from brakewater.quality import is_good
from brakewater.rig import AlarmRule, Brake, Rig
from brakewater.stream import Column, Ints

_LONG_AGO = -(2**62)
_TOO_HIGH = 0.75
"""Share of the way to the bearings above which a level never counts as usual."""
_METER_DEGC = 20.0
"""Where a mass meter's density is taken, unless the rig file gives it; common practice, no published source."""

_ROLES = (
    "inlet-flow",
    "inlet-temperature",
    "outlet-temperature",
    "brake-level",
    "in-service",
    "return-flow",
    "pump-running",
)

DERIVED = (
    "outlet_rise_k",
    "outlet_rise_std_k",
    "heat_w",
    "heat_std_w",
    "heat_limit_w",
    "heat_limit_std_w",
    "cooling_margin",
    "cooling_margin_std",
    "level_rate_m_s",
)


def _mass_meter(brake: Brake) -> float | None:
    if brake.meter_kind == "volumetric":
        return None
    return brake.meter_density or float(fluid.density_kg_m3(brake.fluid, np.array(_METER_DEGC)))


def _ready(column: Column) -> Callable[[], Column]:
    return lambda: column


class BrakeWater:
    """The water side of one brake."""

    def __init__(self, rig: Rig, brake: Brake) -> None:
        self.name = brake.name
        self._brake = brake
        self._circuit = balance.Circuit(
            meter_at_inlet=brake.meter == "inlet",
            wetting_flow_m3_s=brake.wetting_flow,
            outlet_limit_degc=brake.outlet_limit,
            fluid=brake.fluid,
            mass_meter_kg_m3=_mass_meter(brake),
        )
        self._points = {
            role: tuple(point.name for point in found)
            for role in _ROLES
            if (found := rig.all_of_role(role, None if role == "pump-running" else brake.name))
        }
        self._spreads = uncertainty.Spreads(
            flow=self._spread(rig, "inlet-flow"),
            inlet=self._spread(rig, "inlet-temperature"),
            outlet=self._spread(rig, "outlet-temperature"),
            correlation=brake.rtd_correlation,
        )
        self._votes = [Vote(redundant) for redundant in rig.redundant if redundant.brake == brake.name]
        self._checks = CrossChecks(rig, brake)
        self._level = LevelRate(rig.scan_ns)
        rule = next(one for one in rig.alarms if (one.brake, one.kind.name) == (brake.name, "brake-level-rising"))
        self._rising = Rising(
            rig.scan_ns,
            allowance_m=rule.setpoint or 0.0,
            high_m=_TOO_HIGH * brake.bearing_level,
            wetting_m3_s=brake.wetting_flow,
        )
        self._in_service_ns = _LONG_AGO
        levels = [point.definition for point in rig.all_of_role("brake-level", brake.name)]
        voted = [vote.definition for vote in self._votes if vote.role == "brake-level"]
        defined = (rig.scan_ns, levels, voted)
        self.definition = hashlib.sha256(repr(defined).encode()).hexdigest()[:16]

    def _spread(self, rig: Rig, role: str) -> Spread:
        """Of several sensors of one role that of the first: what is made of them is no worse, as they are compared."""
        point = rig.role(role, self._brake.name)
        return point.spread if point is not None else Spread()

    def feed(self, t_ns: Ints, readings: dict[str, Column]) -> tuple[Mapping[str, Column], NDArray[np.bool_]]:
        """Derived quantities, with the readings by role beside them, and [n] whether the brake is watched.

        Args:
            t_ns: [n] steady time.
            readings: point name -> column; those that contradict others are marked in it.
        """
        by_role = {role: readings[names[0]] for role, names in self._points.items()}
        for vote in self._votes:
            by_role[vote.role], doubtful = vote.feed(t_ns, readings)
            readings |= doubtful
        by_role["level_rate_m_s"] = self._level.feed(t_ns, by_role["brake-level"])
        by_role |= self._rising.feed(by_role["brake-level"], by_role["inlet-flow"])
        for role, mask in self._checks.feed(t_ns, by_role).items():
            by_role[role] = marked(by_role[role], mask)
            for name in self._points[role]:
                readings[name] = marked(readings[name], mask)
        return self._derived(by_role), self._watched(t_ns, by_role.get("in-service"))

    def follow(self, rules: Iterable[AlarmRule]) -> None:
        """Take the settings that reach into what is derived."""
        for rule in rules:
            if (rule.brake, rule.kind.name) == (self.name, "brake-level-rising"):
                self._rising.allow(rule.setpoint or 0.0)

    def _derived(self, by_role: Mapping[str, Column]) -> Mapping[str, Column]:
        return Deferred({role: _ready(column) for role, column in by_role.items()} | self._water(by_role))

    def _water(self, by_role: Mapping[str, Column]) -> dict[str, Callable[[], Column]]:
        """What follows from flow and temperatures of each scan alone, each with its standard uncertainty."""
        flow, inlet = by_role["inlet-flow"], by_role["inlet-temperature"]
        outlet = by_role["outlet-temperature"]
        water, circuit, spreads = (flow, inlet, outlet), self._circuit, self._spreads
        rise = cache(lambda: balance.outlet_rise_k(circuit, flow, inlet, outlet))
        heat = cache(lambda: balance.heat_w(circuit, flow, inlet, outlet))
        limit = cache(lambda: balance.heat_limit_w(circuit, flow, inlet))
        margin = cache(lambda: balance.cooling_margin(heat(), limit()))
        return {
            "outlet_rise_k": rise,
            "outlet_rise_std_k": lambda: uncertainty.rise_std_k(spreads, inlet, outlet, rise()),
            "heat_w": heat,
            "heat_std_w": lambda: uncertainty.heat_std_w(circuit, spreads, water, heat()),
            "heat_limit_w": limit,
            "heat_limit_std_w": lambda: uncertainty.limit_std_w(circuit, spreads, water, limit()),
            "cooling_margin": margin,
            "cooling_margin_std": lambda: uncertainty.margin_std(circuit, spreads, water, (heat(), limit()), margin()),
            "outlet-temperature": lambda: balance.outlet_degc(circuit, flow, outlet),
        }

    def _watched(self, t_ns: Ints, service: Column | None) -> NDArray[np.bool_]:
        """In service, or its rotor may be hot; where the signal that says so is not good, it counts as in service."""
        if service is None:
            return np.ones(len(t_ns), np.bool_)
        if len(t_ns) == 1:  # the same for a lone scan, only quicker
            t, is_in = int(t_ns[0]), service.values.item() != 0.0 or service.codes.item() != 0
            self._in_service_ns = max(self._in_service_ns, t) if is_in else self._in_service_ns
            return np.array([is_in or t - self._in_service_ns <= self._brake.rotor_cool_down])
        in_service = (service.values != 0.0) | ~is_good(service.codes)
        last = np.maximum.accumulate(np.where(in_service, t_ns, np.int64(_LONG_AGO)))
        last = np.maximum(last, self._in_service_ns)
        self._in_service_ns = int(last[-1])
        watched: NDArray[np.bool_] = in_service | (t_ns - last <= self._brake.rotor_cool_down)
        return watched

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "definition": self.definition,
            "in-service": str(self._in_service_ns),
            "level": self._level.state(),
            "rising": self._rising.state(),
            "votes": {vote.role: vote.state() for vote in self._votes},
            "checks": self._checks.state(),
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot: the rotor stays hot whatever the file says now, the level's window by definition."""
        self._in_service_ns = int(kept["in-service"])
        if kept["definition"] == self.definition:
            self._level.restore(kept["level"])
            if "rising" in kept:  # a record of before there was one
                self._rising.restore(kept["rising"])
        if "checks" not in kept:  # a record of before there were any
            return
        for vote in self._votes:
            if vote.role in kept["votes"]:
                vote.restore(kept["votes"][vote.role])
        self._checks.restore(kept["checks"])
