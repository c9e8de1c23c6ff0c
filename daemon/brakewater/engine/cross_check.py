"""Signals of one brake that contradict each other. A contradiction is uncertain (``CROSS_CHECK``), never bad.

    outlet-colder      the outlet is colder than the inlet, in service and with at least the least flow
    return-above-inlet more water comes back than goes in, and the brake does not empty
    level-rises-dry    the level rises with no flow and the pump stopped
    flows-unpumped     the inlet meter shows water with the pump stopped, none coming back and the level not rising
    brakes-unused      its contact says that it is not in service, and its coils carry current and its drum turns, or
                       its outlet has warmed and cooled with stand after stand: without coil current or drum speed, or
                       with one of them failed, nothing else tells that it works

Each only beyond what both sensors may be off by, and only once it has lasted. Only signals that are good are held
against each other. A falling level is no contradiction: the brake runs dry through its return, and
one whose inflow fades gives back what it held: its level is then below its usual.

The suspects of ``return-above-inlet`` leave out the inlet flow: whichever of the two meters is wrong, no less water
than the inlet meter shows goes in, and a doubtful inlet flow would count as lost. That is what ``flows-unpumped`` is
for: a meter that is stuck since before the pump stopped.

A doubtful contact counts as in service: with its wire off a brake that works would be as silent as a stopped rig. It
stays doubtful between stands, until it says that the brake is in service or this has not worked for twenty minutes.
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from brakewater.engine.excitation import least_a
from brakewater.engine.lasting import NOWHERE, Lasting, Mask, anywhere
from brakewater.engine.swings import Swings
from brakewater.quality import Reason, is_bad, is_good
from brakewater.rig import Brake, Rig
from brakewater.rig.conditioning import Accuracy
from brakewater.stream import Column, Ints

_CROSS_CHECK: Final = np.uint8(Reason.CROSS_CHECK)
_RISES_M_S: Final = 2e-3
"""Beyond waves and noise over the level rate's eight seconds; an assumption."""
_EMPTIES_M: Final = 0.005
"""Below the usual level, beyond sloshing; as ``judged`` has it for above. An assumption."""
_TURNS_RAD_S: Final = 1.0
"""A drum that turns, beyond its pick-up's zero, ten a minute; an assumption."""
_UNUSED_NS: Final = 20 * 60 * 1_000_000_000
"""Longer than the pause between two stands; an assumption."""
_LONG_AGO: Final = -(2**62)
_Holds = Callable[[Mapping[str, Column]], Mask]
_GoesOn = Callable[[Ints, Mask, Mapping[str, Column]], Mask]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Check:
    """One contradiction; ``holds`` tells where it is met."""

    holds: _Holds
    suspects: tuple[str, ...]
    lasting: Lasting
    goes_on: _GoesOn | None = None
    """Where it is met after it has lasted; None: as long as it lasts."""


def _check(holds: _Holds, seconds: int, *suspects: str, goes_on: _GoesOn | None = None) -> _Check:
    return _Check(holds=holds, suspects=suspects, lasting=Lasting(seconds * 1_000_000_000), goes_on=goes_on)


def _never(by_role: Mapping[str, Column]) -> Mask:
    """Nothing that one scan shows by itself."""
    return np.zeros(len(by_role["in-service"].codes), np.bool_)


class CrossChecks:
    """Those checks of one brake for which it has the sensors."""

    def __init__(self, rig: Rig, brake: Brake) -> None:
        self._brake = brake
        self._accuracy = {
            point.role: point.accuracy or Accuracy(fixed=0.0)
            for point in reversed(rig.points)
            if point.brake == brake.name
        }
        self._pump = rig.role("pump-running")
        self._checks = {"outlet-colder": _check(self._outlet_colder, 30, "inlet-temperature", "outlet-temperature")}
        if rig.role("return-flow", brake.name) is not None:
            self._checks["return-above-inlet"] = _check(self._return_above_inlet, 10, "return-flow")
        if self._pump is not None:
            self._checks["level-rises-dry"] = _check(self._level_rises_dry, 5, "brake-level", "inlet-flow")
            if rig.role("return-flow", brake.name) is not None and rig.practice.doubts_meter:
                self._checks["flows-unpumped"] = _check(self._flows_unpumped, 20, "inlet-flow")
        turns = all(rig.role(role, brake.name) is not None for role in ("coil-current", "drum-speed"))
        by_water = rig.practice.doubts_by_water
        doubts = by_water or (turns and rig.practice.doubts_contact)
        if doubts and rig.role("in-service", brake.name) is not None:
            holds = self._brakes_unused if turns else _never
            goes_on = self._warms if by_water else self._until_used
            self._checks["brakes-unused"] = _check(holds, 10, "in-service", goes_on=goes_on)
        self._swings = Swings(_UNUSED_NS)
        """What its water did while its contact denied that it was in service."""
        self._worked_ns = _LONG_AGO
        """When the brake last worked though its contact denied it."""
        points = [point.definition for point in rig.points if point.brake == brake.name or point is self._pump]
        parts = (list(self._checks), brake.least_flow, brake.wetting_flow, self._accuracy, points)
        self._definition = hashlib.sha256(repr(parts).encode()).hexdigest()[:16]

    def feed(self, t_ns: Ints, by_role: Mapping[str, Column]) -> dict[str, Mask]:
        """Role -> [n] where it is a suspect; roles that are none anywhere are left out.

        Args:
            t_ns: [n] steady time.
            by_role: the brake's columns by role, ``level_rate_m_s``, ``level_rise_m``, and the rig's
                ``pump-running`` where there is one.
        """
        suspects: dict[str, Mask] = {}
        for check in self._checks.values():
            mask = check.lasting.feed(t_ns, check.holds(by_role))
            if check.goes_on is not None:
                mask = check.goes_on(t_ns, mask, by_role)
            if anywhere(mask):
                for role in check.suspects:
                    suspects[role] = suspects[role] | mask if role in suspects else mask
        return suspects

    def _outlet_colder(self, by_role: Mapping[str, Column]) -> Mask:
        inlet, outlet = by_role["inlet-temperature"], by_role["outlet-temperature"]
        colder = self._above(inlet, outlet, "inlet-temperature", "outlet-temperature")
        if not anywhere(colder):
            return colder
        flow, service = by_role["inlet-flow"], by_role.get("in-service")
        loaded = is_good(flow.codes) & (flow.values >= self._brake.least_flow)
        if service is not None:
            loaded &= is_good(service.codes) & (service.values != 0.0)
        return colder & loaded

    def _return_above_inlet(self, by_role: Mapping[str, Column]) -> Mask:
        above = self._above(by_role["return-flow"], by_role["inlet-flow"], "return-flow", "inlet-flow")
        if not anywhere(above):
            return above
        rise = by_role["level_rise_m"]
        return above & ~(is_good(rise.codes) & (rise.values < -_EMPTIES_M))

    def _level_rises_dry(self, by_role: Mapping[str, Column]) -> Mask:
        flow, pump, rate = by_role["inlet-flow"], by_role["pump-running"], by_role["level_rate_m_s"]
        if len(rate.codes) == 1 and (rate.codes.item() > 0 or rate.values.item() <= _RISES_M_S):
            return NOWHERE  # the same for a lone scan, only quicker
        rises: Mask = np.logical_and(is_good(rate.codes), rate.values > _RISES_M_S)
        if not anywhere(rises):
            return rises
        dry = is_good(flow.codes) & (flow.values < self._brake.wetting_flow)
        rises &= dry & is_good(pump.codes) & (pump.values == 0.0)
        return rises

    def _flows_unpumped(self, by_role: Mapping[str, Column]) -> Mask:
        pump, flow = by_role["pump-running"], by_role["inlet-flow"]
        stopped: Mask = is_good(pump.codes) & (pump.values == 0.0)
        if not anywhere(stopped):
            return stopped
        back, rate = by_role["return-flow"], by_role["level_rate_m_s"]
        stopped &= is_good(flow.codes) & (flow.values >= self._brake.wetting_flow)
        stopped &= is_good(back.codes) & (back.values < self._brake.wetting_flow)
        stopped &= is_good(rate.codes) & (rate.values <= _RISES_M_S)
        return stopped

    def _brakes_unused(self, by_role: Mapping[str, Column]) -> Mask:
        service, coil, drum = by_role["in-service"], by_role["coil-current"], by_role["drum-speed"]
        if len(service.codes) == 1 and service.values.item() != 0.0:
            return NOWHERE  # the same for a lone scan, only quicker
        brakes: Mask = is_good(service.codes) & (service.values == 0.0)
        brakes &= is_good(coil.codes) & (coil.values >= least_a(self._brake))
        brakes &= is_good(drum.codes) & (drum.values >= _TURNS_RAD_S)
        return brakes

    def _runs_unused(self, by_role: Mapping[str, Column]) -> Mask:
        """Where water runs though the contact denies that the brake is in service, and both temperatures are known."""
        service, flow = by_role["in-service"], by_role["inlet-flow"]
        if len(service.codes) == 1 and (service.values.item() != 0.0 or flow.values.item() < self._brake.least_flow):
            return NOWHERE  # the same for a lone scan, only quicker
        runs: Mask = service.values == 0.0
        if not anywhere(runs):
            return runs
        runs &= is_good(service.codes)
        runs &= is_good(flow.codes) & (flow.values >= self._brake.least_flow)
        runs &= is_good(by_role["inlet-temperature"].codes) & is_good(by_role["outlet-temperature"].codes)
        return runs

    def _warms(self, t_ns: Ints, mask: Mask, by_role: Mapping[str, Column]) -> Mask:
        """[n] where it works by what was seen otherwise or by its water, and until it has not done so for long."""
        runs = self._runs_unused(by_role)
        if self._swings.fresh and not anywhere(runs):
            return self._until_used(t_ns, mask, by_role)
        service, flow = by_role["in-service"], by_role["inlet-flow"]
        over = is_good(service.codes) & (service.values != 0.0)
        over |= is_good(flow.codes) & (flow.values < self._brake.least_flow)
        inlet = by_role["inlet-temperature"].values
        warmed = self._swings.feed(t_ns, runs, over, by_role["outlet-temperature"].values - inlet, inlet)
        return self._until_used(t_ns, mask | warmed, by_role)

    def _until_used(self, t_ns: Ints, mask: Mask, by_role: Mapping[str, Column]) -> Mask:
        """[n] where it works, or did so not long ago, and the contact has gone on to deny it."""
        if self._worked_ns == _LONG_AGO and not anywhere(mask):
            return mask
        service = by_role["in-service"]
        found = np.zeros(len(t_ns), np.bool_)
        for at, (t, works, says) in enumerate(zip(t_ns.tolist(), mask.tolist(), service.values.tolist(), strict=True)):
            if works:
                self._worked_ns = t
            elif says != 0.0 or t - self._worked_ns > _UNUSED_NS:
                self._worked_ns = _LONG_AGO
            found[at] = self._worked_ns != _LONG_AGO
        return found

    def _above(self, high: Column, low: Column, high_role: str, low_role: str) -> Mask:
        """Where both are good and one lies above the other by more than both may be off."""
        one, other = self._accuracy[high_role], self._accuracy[low_role]
        if len(high.codes) == 1:  # the same for a lone scan, only quicker
            a, b, unsure = high.values.item(), low.values.item(), high.codes.item() + low.codes.item() > 0
            may_be_off = (one.fixed + one.share * abs(a)) + (other.fixed + other.share * abs(b))
            return np.array((True,)) if not unsure and a - b > may_be_off else NOWHERE
        may_be = one.at(high.values) + other.at(low.values)
        with np.errstate(over="ignore"):
            above: Mask = np.greater(high.values - low.values, may_be)
        above &= is_good(high.codes) & is_good(low.codes)
        return above

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        lasting = {name: check.lasting.state() for name, check in self._checks.items()}
        worked = {} if self._worked_ns == _LONG_AGO else {"worked": str(self._worked_ns)}
        swings = {} if self._swings.fresh else {"swings": self._swings.state()}
        return {"definition": self._definition, "lasting": lasting, **worked, **swings}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Go on from a snapshot made with the same settings; under others begin anew."""
        if state["definition"] == self._definition:
            for name, check in self._checks.items():
                check.lasting.restore(state["lasting"][name])
            self._worked_ns = int(state.get("worked", _LONG_AGO))
            if "swings" in state:
                self._swings.restore(state["swings"])


def marked(column: Column, mask: Mask) -> Column:
    """A column with its code raised where it is a suspect; a bad one says more already."""
    codes = np.where(mask & ~is_bad(column.codes), np.maximum(column.codes, _CROSS_CHECK), column.codes)
    return Column(values=column.values, codes=codes)
