"""How long until the tank is at the inlet limit, and the peaks at the outlet limit; early bounds too.

People are shown the early bound, "not before". Once a minute: the tank goes on to warm as it did over the last ten
minutes, by what is in it (its level, where the tank's height is known), less what it loses the more as it warms
(``physics.tank``, whose loss is learnt from ten-minute balances), and more as the air is warmer now than it was then.
So sun on the tank or a loss that is not as learnt counts from its first ten minutes on. The early bound takes the
thermometer, the pace's scatter and what is not known of the loss to the worse side; where nobody measures what is in
the tank, as if it held no more than it must to have warmed no faster under this heat, but a quarter at least. Nothing
is said on doubtful data, and a day is as far as anybody looks.

The outlet comes to its limit when the tank is warm enough for the highest rise of the last ten minutes, without the
thermowell's lag (which hides a tenth of a stand's peak), and as it would be with the flow of now. That rise grows with
the string, and as the flow falls (``engine.falling``); for the early bound it grows by a twentieth more, since no stand
is like the other.
"""

from typing import Any, Final

import numpy as np

from brakewater.engine.falling import LEAST_M3_S, Falling
from brakewater.engine.held import Held, within
from brakewater.engine.lag_free import Recovered
from brakewater.engine.seconds import GOOD, Groups, Seconds
from brakewater.engine.tail import Tail
from brakewater.engine.tank_balance import FIT, HEAT_STD, PACE, Learnt, TankBalance, TankSense, summed
from brakewater.physics.tank import FAR_S, Warming
from brakewater.quality import Pair, Reason, alone
from brakewater.rig import Brake
from brakewater.stream import Column, Floats, Ints

_MINUTE_NS: Final = 60_000_000_000
_PART: Final = 3
"""Minutes of a part of it, by which its scatter is told (batch means)."""
_HALF_MINUTE_S: Final = 30.0
"""A minute's mean stands for its middle."""
_GROWS: Final = 0.05
"""Part by which a coming stand's peak may stand above the highest of the last ten minutes; an assumption."""
_TYPICAL: Final = 0.97
"""Part of the highest rise of the last ten minutes that a coming stand's peak is likely to reach; an assumption."""
_STRING: Final = 0.0035 / 60.0
"""Part by which the string becomes heavier each second: a stand every two and a half minutes, of some 0.9 t, on some
100 t; an assumption."""
_STRING_MOST: Final = 0.007 / 60.0
"""The same of a light string in a hurry."""
_HIGHEST_K: Final = 200.0
"""Garbage of a register beyond it is held there."""
_NAMES: Final = tuple(
    f"{limit}{kind}_s" for limit in ("time_to_inlet_limit", "time_to_outlet_limit") for kind in ("", "_early")
)
"""In the order in which they are worked out; what a snapshot brings comes in another."""
_NONE: Final = (0.0, int(Reason.NO_BASIS))


class TankOutlook:
    """Minute by minute."""

    def __init__(self, brake: Brake, tank: TankSense, step_s: float) -> None:
        self._brake, self._tank = brake, tank
        self._names = ["inlet", "outlet", "heat", "flow", *(["tank"] if tank.from_tank else []), "ambient"]
        self._names += ["content"] if tank.full_m is not None else []
        self._step_s = step_s
        self._minutes = Seconds(round(step_s * 1e9), self._names, _MINUTE_NS)
        self._peak_k = 0.0
        self._tail = Tail(PACE, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        """Of the last minutes: tank, air, heat, highest rise, flow, and 1.0 where all of that is sound."""
        self._balance = TankBalance(tank)
        self._standing = dict.fromkeys(_NAMES, _NONE)

    def feed(self, groups: Groups, water: Recovered) -> dict[str, Held]:
        """Times to the limits after each of [m] groups."""
        m, every = len(groups.t_ns), self._minutes.every
        first = self._minutes.waiting
        if m == 1 and first + 1 < every:
            return self._within_a_minute(groups, water)
        minute = np.arange(first, first + m + 1) // every  # of each, and of the next
        minutes = self._minutes.feed(groups.t_ns, self._columns(groups))
        peaks = self._peaks(groups, water, minute)
        before, cut = self._standing, (first, every, m)
        found = {} if minutes is None else self._outlook(minutes, peaks)
        since_s = (np.arange(first + 1, first + m + 1) - minute[1:] * every) * self._step_s
        shown = {
            name: found[name].after(one, cut) if name in found else _stands(one, m) for name, one in before.items()
        }
        self._standing = {name: one.last for name, one in found.items()} or before
        # It comes nearer within a minute too.
        return {
            name: Held(
                values=np.where(one.values < FAR_S, np.maximum(one.values - since_s, 0.0), FAR_S), codes=one.codes
            )
            for name, one in shown.items()
        }

    def _within_a_minute(self, groups: Groups, water: Recovered) -> dict[str, Held]:
        """The same of one group that ends no minute, only quicker."""
        self._minutes.feed(groups.t_ns, self._columns(groups))
        self._peak_k = max(_rise_k(groups, water).item(), self._peak_k)
        since_s = self._minutes.waiting * self._step_s
        return {
            name: Held(values=np.array((max(s - since_s, 0.0) if s < FAR_S else FAR_S,)), codes=alone(code))
            for name, (s, code) in self._standing.items()
        }

    def _columns(self, groups: Groups) -> list[Column]:
        # A doubtful grade becomes an uncertain code by it, a bad one a bad code.
        return [Column(values=groups.means[name], codes=groups.grades[name] * np.uint8(35)) for name in self._names]

    def _peaks(self, groups: Groups, water: Recovered, minute: Ints) -> Floats:
        """The highest rise of each minute that ends; that of the one which goes on is kept."""
        rise = _rise_k(groups, water)
        starts = np.flatnonzero(np.diff(minute[:-1], prepend=-1))
        peaks = np.maximum.reduceat(rise, starts)
        peaks[0] = max(peaks[0], self._peak_k)
        ended = int(minute[-1])
        self._peak_k = float(peaks[-1]) if len(peaks) > ended else 0.0
        return peaks[:ended]

    def _outlook(self, minutes: Groups, peaks: Floats) -> dict[str, Held]:
        """[c] minutes that are over."""
        sound = minutes.worst(*self._names) == GOOD
        tank = "tank" if self._tank.from_tank else "inlet"
        means = minutes.means
        rows = [
            np.where(sound, row, 0.0) for row in (means[tank], means["ambient"], means["heat"], peaks, means["flow"])
        ]
        past = self._tail.extended(*rows, sound.astype(np.float64))
        return self._times(past, self._balance.feed(past, means, sound))

    def _times(self, past: Floats, learnt: Learnt) -> dict[str, Held]:
        c, sense, brake = past.shape[1] - PACE, self._tank, self._brake
        tank, ambient, heat, peak, flow, sound = past
        known = summed(sound, FIT + 1) == FIT + 1
        count = np.maximum(summed(sound, PACE), 1.0)
        pace = summed(heat, PACE) / count
        scatter = np.sqrt(_squares(heat, sound, pace)) / count
        rise = _by_flow_of_now(peak, flow)
        now = tank[-c:]
        # The tank goes on to warm as in the last ten minutes, from their middle on, and with the air of now.
        began = 0.5 * (now + tank[PACE - FIT : -FIT])
        warmer = ambient[-c:] - summed(ambient, FIT + 1) / (FIT + 1)
        likely = learnt.warmed_w + learnt.loss_w_k * warmer
        by_heat = 2.0 * scatter + HEAT_STD * pace + 2.0 * learnt.loss_std_w_k * np.abs(warmer)
        doubt = learnt.read_w + by_heat * learnt.fewer
        least = np.maximum(learnt.loss_w_k - 2.0 * learnt.loss_std_w_k, 0.0)
        # The outlet comes nearer by its rise too, as if the tank warmed by that as well.
        inlet, outlet = np.full(c, brake.inlet_limit), brake.outlet_limit - _TYPICAL * rise
        least_outlet = brake.outlet_limit - 2.0 * sense.outlet_std_k - (1.0 + _GROWS) * rise
        falling = Falling.of(flow, c)
        grows = falling.growth_k_s(rise, outlet - now, early=False) + _STRING * rise
        most = falling.growth_k_s(rise, least_outlet - now, early=True) + _STRING_MOST * rise
        # Likely and early by turns, [4, c]: one after the other they would take four times as many calls.
        capacity = learnt.capacity_j_k
        warming = Warming(
            capacity,
            np.array([now, now + 2.0 * sense.inlet_std_k] * 2),
            began,
            np.array([likely, likely + doubt, likely + capacity * grows, likely + doubt + capacity * most]),
            np.array([learnt.loss_w_k, least] * 2),
        )
        times = warming.reaches_s(np.array([inlet, inlet, outlet, least_outlet]))
        codes = np.where(known, np.uint8(Reason.GOOD), np.uint8(Reason.NO_BASIS))
        return {
            name: Held(values=np.where(known, _from_now(time), 0.0), codes=codes)
            for name, time in zip(_NAMES, times, strict=True)
        }

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "minutes": self._minutes.state(),
            "peak": self._peak_k,
            "behind": [list(minute) for minute in zip(*self._tail.state(), strict=True)],
            **self._balance.state(),
            "standing": {key: list(pair) for key, pair in self._standing.items()},
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._minutes.restore(kept["minutes"])
        self._peak_k = kept["peak"]
        self._balance.restore(kept)
        self._tail.restore(list(zip(*kept["behind"], strict=True)))
        self._standing = {key: (pair[0], pair[1]) for key, pair in kept["standing"].items()}


def _rise_k(groups: Groups, water: Recovered) -> Floats:
    """[m] rise of the outlet: without the lag where that can be told, else as measured, 0 where neither."""
    measured = np.where(groups.worst("inlet", "outlet") == GOOD, groups.means["outlet"] - groups.means["inlet"], 0.0)
    return within(np.where(water.grades == GOOD, water.rise_k, measured), 0.0, _HIGHEST_K)


def _by_flow_of_now(peak: Floats, flow: Floats) -> Floats:
    """[c] the highest rise of the last ten minutes, each minute's by its flow against that of now."""
    c = len(peak) - PACE
    now = np.maximum(flow[-c:], LEAST_M3_S)
    most = np.zeros(c)
    for at in range(FIT):
        part = slice(PACE - at, PACE - at + c)
        most = np.maximum(most, peak[part] * np.minimum(np.maximum(flow[part] / now, 0.5), 2.0))
    return most


def _from_now(time_s: Floats) -> Floats:
    """From the end of the minute on, whose middle it was reckoned from."""
    return np.where(time_s < FAR_S, np.maximum(time_s - _HALF_MINUTE_S, 0.0), FAR_S)


def _stands(pair: Pair, m: int) -> Column:
    return Column(values=np.full(m, pair[0]), codes=np.full(m, pair[1], np.uint8))


def _squares(heat: Floats, sound: Floats, pace: Floats) -> Floats:
    """[c] sum over the pace's parts of the square of what each had above or below it.

    A part is longer than a stand takes: minute by minute a stand and the pause after it would count as chance.
    """
    c = len(pace)
    total = np.zeros(c)
    for first in range(1, PACE + 1, _PART):
        above = np.zeros(c)
        for at in range(first, first + _PART):
            above = above + sound[at : at + c] * (heat[at : at + c] - pace)
        total = total + above * above
    return total
