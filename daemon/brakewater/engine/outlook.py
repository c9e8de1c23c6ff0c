"""How long until the tank is at the inlet limit, and the peaks at the outlet limit; early bounds too.

People are shown the early bound, "not before". Once a minute: the tank goes on to warm as it did over the last ten
minutes, by what is in it (its level, where the tank's height is known), less what it loses the more as it warms
(``physics.tank``, whose loss is learnt from ten-minute balances), and more as the air is warmer now than it was then.
So sun on the tank or a loss that is not as learnt counts from its first ten minutes on. The early bound takes the
thermometer, the pace's scatter and what is not known of the loss to the worse side; where nobody measures what is in
the tank, as if it held a quarter, in which the same heat does four times as much. The outlet's peak over the inlet
stays as it was in the last ten minutes, so that it comes to its limit when the tank is warm enough; for the early bound
it grows by a tenth, as the string becomes heavier and no stand is like the other. Nothing is said on doubtful data, and
a day is as far as anybody looks.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from brakewater.engine.held import Held, within
from brakewater.engine.seconds import GOOD, Groups, Seconds
from brakewater.engine.tail import Tail
from brakewater.physics.tank import FAR_S, Loss, Warming
from brakewater.quality import Pair, Reason, alone
from brakewater.rig import Brake
from brakewater.stream import Column, Floats, Ints

_MINUTE_NS: Final = 60_000_000_000
_FIT: Final = 9
"""Minutes from the first to the last of ten readings: of a balance that teaches the loss; of peaks that count."""
_PACE: Final = 15
"""Minutes whose mean heat is the pace."""
_FIT_S: Final = 60.0 * _FIT
_FIRST_S: Final = 21_600.0
"""A tank's time constant before anything is learnt: six hours, and far from sure of it; an assumption."""
_READ_K: Final = 0.01
"""How well a minute's mean of the tank tells a change; an assumption."""
_HEAT_STD: Final = 0.05
"""Relative standard uncertainty of the heat over ten minutes and of the pace; an assumption."""
_WEATHER_W: Final = 1e3
"""Sun and wind, which are not in the balance; an assumption."""
_DRIFTS: Final = 0.02
"""By what part of itself the loss may change from balance to balance; an assumption."""
_LEAST_PART: Final = 0.05
_MOST_PART: Final = 1.2
"""Of a full tank: a level beyond them is the transmitter's."""
_LEAST_UNMEASURED: Final = 0.25
"""Of a full tank, what there is at least where its level is not known; an assumption."""
_HALF_MINUTE_S: Final = 30.0
"""A minute's mean stands for its middle."""
_GROWS: Final = 0.1
"""Part by which the peak of the next ten minutes may stand above that of the last ten; an assumption, after five drawn
trips of the simulator, in which it stood up to 0.12 above once a forecast was there."""
_HIGHEST_K: Final = 200.0
"""Garbage of a register beyond it is held there."""
_LIMITS: Final = ("time_to_inlet_limit", "time_to_outlet_limit")
_NONE: Final = (0.0, int(Reason.NO_BASIS))


@dataclass(frozen=True, slots=True, kw_only=True)
class TankSense:
    """What is known of a tank beforehand."""

    capacity_j_k: float
    """Full."""
    inlet_std_k: float
    outlet_std_k: float
    from_tank: bool
    """The tank has a thermometer; else the inlet stands for it."""
    full_m: float | None = None
    """Level at which it is full; None where that or the level is not known: it counts as full."""

    @property
    def most_by_heat(self) -> float:
        """How much more than in what counts as the tank's content a watt may do."""
        return 1.0 if self.full_m is not None else 1.0 / _LEAST_UNMEASURED


class TankOutlook:
    """Minute by minute."""

    def __init__(self, brake: Brake, tank: TankSense, step_s: float) -> None:
        self._brake, self._tank = brake, tank
        self._names = ["inlet", "outlet", "heat", *(["tank"] if tank.from_tank else []), "ambient"]
        self._names += ["content"] if tank.full_m is not None else []
        self._step_s = step_s
        self._minutes = Seconds(round(step_s * 1e9), self._names, _MINUTE_NS)
        self._peak_k = 0.0
        self._tail = Tail(_PACE, 0.0, 0.0, 0.0, 0.0, 0.0)
        """Of the last minutes: tank, air, heat, highest rise, and 1.0 where all of that is sound."""
        self._since_fit = 0
        first = tank.capacity_j_k / _FIRST_S
        self._loss = Loss(value=first, variance=first * first)
        self._standing = {f"{name}{kind}_s": _NONE for name in _LIMITS for kind in ("", "_early")}

    def feed(self, groups: Groups) -> dict[str, Held]:
        """Times to the limits after each of [m] groups."""
        m, every = len(groups.t_ns), self._minutes.every
        first = self._minutes.waiting
        if m == 1 and first + 1 < every:
            return self._within_a_minute(groups)
        minute = np.arange(first, first + m + 1) // every  # of each, and of the next
        minutes = self._minutes.feed(groups.t_ns, self._columns(groups))
        peaks = self._peaks(groups, minute)
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

    def _within_a_minute(self, groups: Groups) -> dict[str, Held]:
        """The same of one group that ends no minute, only quicker."""
        self._minutes.feed(groups.t_ns, self._columns(groups))
        if all(groups.grades[name].item() == GOOD for name in ("inlet", "outlet")):
            rise = groups.means["outlet"] - groups.means["inlet"]
            self._peak_k = max(within(rise, 0.0, _HIGHEST_K).item(), self._peak_k)
        since_s = self._minutes.waiting * self._step_s
        return {
            name: Held(values=np.array((max(s - since_s, 0.0) if s < FAR_S else FAR_S,)), codes=alone(code))
            for name, (s, code) in self._standing.items()
        }

    def _columns(self, groups: Groups) -> list[Column]:
        # A doubtful grade becomes an uncertain code by it, a bad one a bad code.
        return [Column(values=groups.means[name], codes=groups.grades[name] * np.uint8(35)) for name in self._names]

    def _peaks(self, groups: Groups, minute: Ints) -> Floats:
        """The highest rise of each minute that ends; that of the one which goes on is kept."""
        known = groups.worst("inlet", "outlet") == GOOD
        rise = within(np.where(known, groups.means["outlet"] - groups.means["inlet"], 0.0), 0.0, _HIGHEST_K)
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
        rows = [np.where(sound, row, 0.0) for row in (means[tank], means["ambient"], means["heat"], peaks)]
        past = self._tail.extended(*rows, sound.astype(np.float64))
        capacity = self._capacity_j_k(means, sound)
        return self._times(past, capacity, *self._learnt(past, capacity))

    def _capacity_j_k(self, means: Mapping[str, Floats], sound: Any) -> Floats:
        """[c] of what is in the tank."""
        full_m = self._tank.full_m
        if full_m is None:
            return np.full(len(sound), self._tank.capacity_j_k)
        part = np.where(sound, means["content"], full_m) / full_m
        return self._tank.capacity_j_k * np.minimum(np.maximum(part, _LEAST_PART), _MOST_PART)

    def _learnt(self, past: Floats, capacity_j_k: Floats) -> tuple[Floats, Floats, Floats]:
        """[c] loss, its standard uncertainty, and the heat that the tank took in the last ten minutes, W.

        A balance over ten whole minutes teaches the loss.
        """
        tank, ambient, heat, _, sound = past
        c = past.shape[1] - _PACE
        fair = _summed(sound, _FIT + 1) == _FIT + 1
        put_in = _summed(heat, _FIT) / _FIT
        over = _summed(tank - ambient, _FIT + 1) / (_FIT + 1)
        warmed = capacity_j_k * (tank[-c:] - tank[_PACE - _FIT : -_FIT]) / _FIT_S
        read_w = capacity_j_k * (_READ_K / _FIT_S)
        std = np.sqrt(read_w * read_w + (_HEAT_STD * put_in) * (_HEAT_STD * put_in) + _WEATHER_W * _WEATHER_W)
        found = []
        rows = zip(fair.tolist(), (put_in - warmed).tolist(), over.tolist(), std.tolist(), strict=True)
        for usable, missed, difference, off in rows:
            self._since_fit += 1
            if self._since_fit >= _FIT and usable:
                self._since_fit = 0
                self._loss.forget(_DRIFTS * self._loss.value)
                self._loss.learn(missed, difference, off)
            found.append((self._loss.value, self._loss.variance))
        both = np.array(found)
        return both[:, 0], np.sqrt(both[:, 1]), warmed

    def _times(
        self, past: Floats, capacity_j_k: Floats, loss: Floats, loss_std: Floats, warmed: Floats
    ) -> dict[str, Held]:
        c, sense, brake = past.shape[1] - _PACE, self._tank, self._brake
        tank, ambient, heat, peak, sound = past
        known = _summed(sound, _FIT + 1) == _FIT + 1
        count = np.maximum(_summed(sound, _PACE), 1.0)
        pace = _summed(heat, _PACE) / count
        scatter = np.sqrt(_squares(heat, sound, pace)) / count
        rise = np.maximum.reduce([peak[_PACE - at : _PACE - at + c] for at in range(_FIT)])
        now = tank[-c:]
        # The tank goes on to warm as in the last ten minutes, from their middle on, and with the air of now.
        began = 0.5 * (now + tank[_PACE - _FIT : -_FIT])
        warmer = ambient[-c:] - _summed(ambient, _FIT + 1) / (_FIT + 1)
        likely = warmed + loss * warmer
        if sense.full_m is None:  # a balance with the wrong content teaches a loss that is sure and wrong
            loss_std = np.maximum(loss_std, sense.capacity_j_k / _FIRST_S)
        by_heat = (2.0 * scatter + _HEAT_STD * pace + 2.0 * loss_std * np.abs(warmer)) * sense.most_by_heat
        doubt = 2.0 * capacity_j_k * (_READ_K / _FIT_S) + by_heat
        least = np.maximum(loss - 2.0 * loss_std, 0.0)
        # Likely and early by turns, [4, c]: one after the other they would take four times as many calls.
        warming = Warming(
            capacity_j_k,
            np.array([now, now + 2.0 * sense.inlet_std_k] * 2),
            began,
            np.array([likely, likely + doubt] * 2),
            np.array([loss, least] * 2),
        )
        inlet, outlet = np.full(c, brake.inlet_limit), brake.outlet_limit - rise
        times = warming.reaches_s(np.array([inlet, inlet, outlet, outlet - 2.0 * sense.outlet_std_k - _GROWS * rise]))
        codes = np.where(known, np.uint8(Reason.GOOD), np.uint8(Reason.NO_BASIS))
        return {
            name: Held(values=np.where(known, _from_now(time), 0.0), codes=codes)
            for name, time in zip(self._standing, times, strict=True)
        }

    def state(self) -> dict[str, Any]:
        """What a snapshot keeps."""
        return {
            "minutes": self._minutes.state(),
            "peak": self._peak_k,
            "past": [list(minute) for minute in zip(*self._tail.state(), strict=True)],
            "since-fit": self._since_fit,
            "loss": [self._loss.value, self._loss.variance],
            "standing": {key: list(pair) for key, pair in self._standing.items()},
        }

    def restore(self, kept: dict[str, Any]) -> None:
        """Go on from a snapshot."""
        self._minutes.restore(kept["minutes"])
        self._peak_k, self._since_fit = kept["peak"], kept["since-fit"]
        past = [[0.0] * 5] * (_PACE - len(kept["past"])) + kept["past"]  # an older one has no row of before it began
        self._tail.restore(list(zip(*past, strict=True)))
        self._loss = Loss(value=kept["loss"][0], variance=kept["loss"][1])
        self._standing = {key: (pair[0], pair[1]) for key, pair in kept["standing"].items()}


def _from_now(time_s: Floats) -> Floats:
    """From the end of the minute on, whose middle it was reckoned from."""
    return np.where(time_s < FAR_S, np.maximum(time_s - _HALF_MINUTE_S, 0.0), FAR_S)


def _stands(pair: Pair, m: int) -> Column:
    return Column(values=np.full(m, pair[0]), codes=np.full(m, pair[1], np.uint8))


def _summed(row: Floats, count: int) -> Floats:
    """[c] sums over the last ``count`` minutes, the oldest first, of a row with a tail of ``_PACE`` before it."""
    c = len(row) - _PACE
    total = np.zeros(c)
    for at in range(_PACE - count + 1, _PACE + 1):
        total = total + row[at : at + c]
    return total


def _squares(heat: Floats, sound: Floats, pace: Floats) -> Floats:
    """[c] sum of the squares about the pace."""
    c = len(pace)
    total = np.zeros(c)
    for at in range(1, _PACE + 1):
        apart = heat[at : at + c] - pace
        total = total + sound[at : at + c] * (apart * apart)
    return total
