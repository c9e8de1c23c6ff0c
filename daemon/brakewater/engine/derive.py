"""What the engine derives for one brake: rise, heat, margin, level rate, and whether it is watched."""

import hashlib
from collections.abc import Iterable, Mapping
from operator import is_
from typing import Any

import numpy as np
from numpy.typing import NDArray

from brakewater.alarms.catalogue import CATALOGUE, Scope
from brakewater.engine import of_scans, slow, worked
from brakewater.engine.cross_check import CrossChecks, marked
from brakewater.engine.deferred import Deferred
from brakewater.engine.judged import may_be_hot
from brakewater.engine.level import LevelRate
from brakewater.engine.rising import Rising
from brakewater.engine.slow import RIG_WIDE, Slow
from brakewater.engine.vote import Vote
from brakewater.physics import balance, fluid, uncertainty
from brakewater.physics.uncertainty import COVERAGE, Spread
from brakewater.quality import Reason, is_bad, is_bad_code, is_good
from brakewater.rig import AlarmRule, Brake, Point, Rig
from brakewater.rig.roles import ROLES
from brakewater.stream import Column, Ints

_LONG_AGO = -(2**62)
TOO_HIGH = 0.75
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
    "drum-speed",
    "coil-current",
    "coil-commanded",
    *RIG_WIDE,
)
_OF_RIG = ("pump-running", *RIG_WIDE)
_LOOKED_AT = tuple(
    kind.quantity
    for kind in CATALOGUE.values()
    if kind.scope is Scope.BRAKE and kind.quantity in ROLES and kind.quantity not in _ROLES
)
"""Roles of a brake that nothing is worked out from, only an alarm looks at them."""

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
    *slow.ENERGY,
    *slow.BEARING,
    *slow.DUTY,
    *slow.TORQUE,
    *slow.ROTOR,
    *slow.TANK,
    *slow.RETURN,
    *slow.EXCITATION,
    "flow_balance_m3_s",
    "tank_temperature_degc",
    "cooling_ready",
    *worked.QUANTITIES,
)
"""Everything there is; ``derived_of`` tells what of it a brake has."""
_OUTLET_AHEAD = ("time_to_outlet_limit_s", "time_to_outlet_limit_early_s")
_ALWAYS = DERIVED[: DERIVED.index("level_rate_m_s") + 1]


def derived_of(rig: Rig, brake: Brake) -> tuple[str, ...]:
    """What is derived for a brake of this rig, in the order of ``DERIVED``; for the rest something is missing."""
    found = {*_ALWAYS, *slow.derived(rig, brake), "tank_temperature_degc", "cooling_ready"}
    if rig.role("return-flow", brake.name) is not None:
        found.add("flow_balance_m3_s")
    return tuple(name for name in DERIVED if name in found)


def _mass_meter(brake: Brake) -> float | None:
    if brake.meter_kind == "volumetric":
        return None
    return brake.meter_density or float(fluid.density_kg_m3(brake.fluid, np.array(_METER_DEGC)))


def _hash(*parts: Any) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:16]


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
            for role in (*_ROLES, *_LOOKED_AT)
            if (found := rig.all_of_role(role, None if role in _OF_RIG else brake.name))
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
        self._keeps_rise = rig.practice.keeps_rise
        rule = next(one for one in rig.alarms if (one.brake, one.kind.name) == (brake.name, "brake-level-rising"))
        self._rising = Rising(
            rig.scan_ns,
            allowance_m=rule.setpoint or 0.0,
            high_m=TOO_HIGH * brake.bearing_level,
            wetting_m3_s=brake.wetting_flow,
        )
        self._limits = of_scans.Limits(
            least_flow_m3_s=brake.least_flow, inlet_degc=brake.inlet_limit, level_m=TOO_HIGH * brake.bearing_level
        )
        self._slow = Slow(rig, brake, self._circuit, self._spreads)
        self._of_water: tuple[tuple[Column, ...], dict[str, Column]] = (), {}
        """Water of the last lone scan, and what was worked out of it."""
        self.derived = derived_of(rig, brake)
        self._asks_flow = rig.practice.asks_flow
        self._in_service_ns = _LONG_AGO
        self._hot_degc: float | None = None
        """Where its rotor counts as hot; None where its temperature is not known."""
        self.follow(rig.alarms)
        levels = [point.definition for point in rig.all_of_role("brake-level", brake.name)]
        voted = [vote.definition for vote in self._votes if vote.role == "brake-level"]
        self.definition = _hash(rig.scan_ns, levels, voted)
        points = [point.definition for role in _ROLES for point in self._all(rig, role)]
        spreads = [point.spread for role in _ROLES for point in self._all(rig, role)]
        votes = [vote.definition for vote in self._votes]
        # what the file says of limits may change without losing a trip's totals; what is measured, and how, may not
        kept = (brake.fluid, brake.meter, brake.thermowell_lag, brake.housing_area, brake.rotor, brake.torque)
        slowly = tuple(name for name in self.derived if name != "cooling_ready")  # no state of it is kept
        self.slow_definition = _hash(rig.scan_ns, points, spreads, votes, kept, rig.hoist, rig.tanks, slowly)

    def _all(self, rig: Rig, role: str) -> tuple[Point, ...]:
        return rig.all_of_role(role, None if role in _OF_RIG else self.name)

    def _spread(self, rig: Rig, role: str) -> Spread:
        """Of several sensors of one role that of the first: what is made of them is no worse, as they are compared."""
        point = rig.role(role, self._brake.name)
        return point.spread if point is not None else Spread()

    @property
    def worked(self) -> worked.Worked | None:
        """What it has done; None where the rig file keeps no upkeep book."""
        return self._slow.worked

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
        by_role |= self._rising.feed(by_role["brake-level"], by_role["inlet-flow"], self._level.medians)
        for role, mask in self._checks.feed(t_ns, by_role).items():
            by_role[role] = marked(by_role[role], mask)
            for name in self._points[role]:
                readings[name] = marked(readings[name], mask)
        found = self._derived(t_ns, by_role)
        return found, self._or_hot(found, self._watched(t_ns, by_role.get("in-service")))

    def follow(self, rules: Iterable[AlarmRule]) -> None:
        """Take the settings that reach into what is derived."""
        for rule in rules:
            if (rule.brake, rule.kind.name) == (self.name, "brake-level-rising"):
                self._rising.allow(rule.setpoint or 0.0)
            if (rule.brake, rule.kind.name) == (self.name, "rotor-hot-no-flow"):
                self._hot_degc = rule.setpoint

    def _derived(self, t_ns: Ints, by_role: Mapping[str, Column]) -> Mapping[str, Column]:
        shown = self._slow.feed(t_ns, by_role)
        scans = of_scans.OfScans(
            circuit=self._circuit,
            spreads=self._spreads,
            limits=self._limits,
            area_m2=self._brake.housing_area or 0.0,
            by_role=by_role,
            of_water=self._of_lone(of_scans.water(by_role)) if len(t_ns) == 1 else {},
        )

        def make(name: str) -> Column:
            if name in of_scans.ROWS:
                return scans[name]
            if name not in shown:
                return by_role[name]
            seen = name not in _OUTLET_AHEAD or not self._asks_flow
            return shown.column(name) if seen else _where_seen(shown.column(name), scans["outlet_rise_k"])

        return Deferred((*by_role, *self.derived), make)

    def _of_lone(self, water: of_scans.Water) -> dict[str, Column]:
        """What is worked out of a lone scan's water; grows. A slow signal says the same for many scans."""
        before, found = self._of_water
        if not (before and all(map(is_, water, before))):
            found = of_scans.at_once(self._circuit, water)
            self._of_water = water, found
        return found

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

    def _or_hot(self, found: Mapping[str, Column], watched: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """A rotor that may be hot by its estimate is watched, however long the brake has been out of service."""
        if self._hot_degc is None or np.count_nonzero(watched) == len(watched):
            return watched
        if len(watched) == 1:  # the same for a lone scan, only quicker
            rotor, band = found["rotor_temperature_degc"], found["rotor_temperature_std_k"]
            is_bad_one = is_bad_code(max(rotor.codes.item(), band.codes.item()))
            return np.array((not is_bad_one and rotor.values.item() + COVERAGE * band.values.item() > self._hot_degc,))
        hot, codes = may_be_hot(self._hot_degc, found)
        return watched | (hot & ~is_bad(codes))

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "definition": self.definition,
            "in-service": str(self._in_service_ns),
            "level": self._level.state(),
            "rising": self._rising.state(),
            "slow": {"definition": self.slow_definition, "state": self._slow.state()},
            **({"worked": self.worked.state()} if self.worked is not None else {}),
            "votes": {vote.role: vote.state() for vote in self._votes},
            "checks": self._checks.state(),
        }

    def restore(self, kept: dict[str, Any]) -> bool:
        """Go on from a snapshot: the rotor stays hot whatever the file says now, the level's window by definition.

        Returns:
            Whether what is worked out once a second goes on; it begins anew where it hangs on something else by now.
        """
        self._in_service_ns = int(kept["in-service"])
        if kept["definition"] == self.definition:
            self._level.restore(kept["level"])
            if "rising" in kept:  # a record of before there was one
                self._rising.restore(kept["rising"])
        elif "rising" in kept and self._keeps_rise:
            self._rising.begin_above(kept["rising"])
        slow = kept.get("slow", {})
        goes_on = slow.get("definition") == self.slow_definition and self._slow.fits(slow["state"])
        if goes_on:
            self._slow.restore(slow["state"])
        if "worked" in kept:
            self._slow.restore_worked(kept["worked"])
        if "checks" not in kept:  # a record of before there were any
            return goes_on
        for vote in self._votes:
            if vote.role in kept["votes"]:
                vote.restore(kept["votes"][vote.role])
        self._checks.restore(kept["checks"])
        return goes_on


def _where_seen(ahead: Column, rise: Column) -> Column:
    """How long the outlet has, where its sensor sees water of the brake: without, that is no time that anybody has."""
    dry = rise.codes == Reason.NO_FLOW
    if not np.count_nonzero(dry):
        return ahead
    return Column(values=np.where(dry, 0.0, ahead.values), codes=np.where(dry, np.uint8(Reason.NO_FLOW), ahead.codes))
