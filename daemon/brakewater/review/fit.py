"""Parameters of a brake's rotor refined from what it did: least squares on the outlet temperature of whole records.

The outlet is worked out from the hoist's duty (``outlet_model``); parameters are scaled until it comes out as recorded.
Confidence comes from the slopes at the best fit, widened for residuals that hang together from second to second, and
for a contact with the water that is off by what the rig file allows: it looks much like the masses and the lag. So does
how heat goes into the iron, which is no two lumps: it counts as known to a factor of two. Where the record cannot tell
a parameter, or would have it beyond where it is looked for, its interval says so, and nothing is offered.

Source: nonlinear regression as in any text of statistics; effective number of samples (1 - r)/(1 + r), from memory.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from brakewater.engine import Engine
from brakewater.errors import BrakewaterError
from brakewater.quality import is_bad
from brakewater.record.reader import Record
from brakewater.review.outlet_model import OutletModel, Series
from brakewater.review.replay import NO_SCAN, Tally, replayed
from brakewater.rig import Brake, Rig
from brakewater.stream import Block, Floats
from brakewater.units import counted

NAMES: Final = ("share", "masses", "lag")
"""Part of the duty in the water; scales of both heat capacities and of the thermometer's lag. The contact with
the water cannot be told from the outlet, as a contact too poor looks just like a well too slow: it stays as it is."""
WIDEST: Final = 0.5
"""A 95 % interval wider than half of the value tells nothing a rig file could use."""
_FEWEST_STANDS: Final = 3
_THROUGH: Final = 2.0
"""How far ``through`` may be off, as a factor: two lumps stand for iron all through; an assumption."""
_FAR: Final = 1.2
"""Logarithm of the scale up to which a parameter is looked for."""
_LONGEST_S: Final = 20_000
"""No more is fitted to, for the time that it takes."""
_PAUSE_S: Final = 900.0
"""So long after a stand a trip still tells of the rotor; of a longer record what lies beyond is left out."""
_LOADED_W: Final = 5e4
"""Duty above which a stand counts; an assumption."""
_WARM_S: Final = 300.0
"""So long what the rotor was before counts; an assumption."""
_HOLE_STEPS: Final = 3.0
"""Samples farther apart than so many of their steps have a hole between them; an assumption."""
_NEEDED: Final = ("duty_w", "inlet-flow", "inlet-temperature", "outlet-temperature", "brake-level")


class FitError(BrakewaterError):
    """The record cannot tell; the message says why and what would help."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One scale of what the rig file says."""

    name: str
    value: float
    low: float
    high: float
    """Ends of the 95 % interval."""

    @property
    def told(self) -> bool:
        """The record tells it."""
        return self.high - self.low <= WIDEST * self.value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """What was found."""

    brake: str
    seconds: int
    stands: int
    stands_beyond: int
    """In the record, but later than what is fitted to."""
    parameters: tuple[Parameter, ...]
    rms_before_k: float
    rms_k: float
    residual_k: Floats
    """[seconds] recorded less modelled outlet, for a plot."""


def fit(record: Record, name: str | None = None, damage: list[str] | None = None) -> Fit:
    """Refine the parameters of one brake.

    Args:
        record: with hook load and block position.
        name: of the brake, in any of the record's rig files; None: the first of the first.
        damage: gets what could not be read; the fit is of what is whole.

    Raises:
        FitError: the record cannot tell, or the rig file lacks what the model needs.
    """
    tally = Tally(damage=[] if damage is None else damage)
    series, brake, in_all = _read(record, Engine(), name, tally)
    stands = _stands(series.duty)
    if stands < _FEWEST_STANDS:
        raise FitError(
            f"found {counted(stands, 'stand')} lowered in this record; allowed: {_FEWEST_STANDS} or more, under load"
        )
    run = _runner(series, brake)
    return _fitted(series, brake, (stands, in_all - stands), run)


def _stands(duty: Floats) -> int:
    return int(np.count_nonzero((duty[1:] > _LOADED_W) & (duty[:-1] <= _LOADED_W)))


def _of_trips(duty: Floats, step_s: float) -> NDArray[np.intp]:
    """Which seconds of a record that is too long to be fitted whole are: trips, not the days of drilling between."""
    if len(duty) <= _LONGEST_S:
        return np.arange(len(duty))
    before, after = round((_WARM_S + 60.0) / step_s), round(_PAUSE_S / step_s)
    loaded = np.concatenate(([0], np.cumsum(duty > _LOADED_W)))
    at = np.arange(len(duty))
    ahead = loaded[np.minimum(at + before + 1, len(duty))] - loaded[np.maximum(at - after, 0)]
    return np.flatnonzero(ahead > 0)[:_LONGEST_S]


def _read(record: Record, engine: Engine, name: str | None, tally: Tally) -> tuple[Series, Brake, int]:
    """What is fitted to, the brake, and how many stands there are in all of the record."""
    columns: dict[str, list[Floats]] = {key: [] for key in (*_NEEDED, "known", "at_s")}
    brake: Brake | None = None
    others: dict[str, None] = {}
    step_s = 0.0
    for item, outcome in replayed(record, engine, tally):
        if not isinstance(item, Block):
            continue
        others |= dict.fromkeys(one.name for one in engine.rig.brakes)
        brake = brake or _brake(engine.rig, name)
        if brake is None:
            continue  # only a later rig file may have it
        if (brake.name, "duty_w") not in outcome.derived:
            continue  # a later rig file has no such brake, or no hoist
        every = max(1, round(1e9 / engine.rig.scan_ns))
        step_s = step_s or every * engine.rig.scan_ns / 1e9
        part = np.flatnonzero(item.input % every == 0)  # by number: a command cuts a block anywhere
        found = {role: outcome.readings[engine.rig.role(role, brake.name).name] for role in _NEEDED[1:]}  # type: ignore[union-attr]
        found["duty_w"] = outcome.derived[brake.name, "duty_w"]
        bad = np.zeros(len(item), np.bool_)
        for role, column in found.items():
            columns[role].append(column.values[part])
            bad |= is_bad(column.codes)
        columns["known"].append((~bad[part]).astype(np.float64))
        columns["at_s"].append(item.t_ns[part] / 1e9)
    if brake is None:
        raise FitError(f"found no brake {name!r}; allowed: {', '.join(others)}" if others else f"found {NO_SCAN}")
    duty = np.concatenate(columns["duty_w"])
    taken = _of_trips(duty, step_s)
    whole = {key: np.concatenate(parts)[taken] for key, parts in columns.items()}
    return (
        Series(
            duty=whole["duty_w"],
            flow=whole["inlet-flow"],
            inlet=whole["inlet-temperature"],
            outlet=whole["outlet-temperature"],
            level=whole["brake-level"],
            known=(whole["known"] > 0.5) & ~_after_a_hole(whole["at_s"], step_s),
            step_s=step_s,
        ),
        brake,
        _stands(duty),
    )


def _after_a_hole(at_s: Floats, step_s: float) -> NDArray[np.bool_]:
    """[n] where what the rotor is, is not known: at the begin, and where scans are missing, as between two runs."""
    cold = np.zeros(len(at_s), np.bool_)
    for at in (0, *(np.flatnonzero(np.abs(np.diff(at_s)) > _HOLE_STEPS * step_s) + 1).tolist()):
        cold[at : at + round(_WARM_S / step_s) + 1] = True
    return cold


def _brake(rig: Rig, name: str | None) -> Brake | None:
    brake = next((one for one in rig.brakes if name in (None, one.name)), None)
    if brake is None:
        return None
    lacking = [
        what
        for what, there in (
            ("rotor", brake.rotor),
            ("housing-area", brake.housing_area),
            ("[hoist]", rig.hoist),
            ("a point of role hook-load", rig.role("hook-load")),
            ("a point of role block-position", rig.role("block-position")),
        )
        if there is None
    ]
    if lacking:
        raise FitError(f"brake {brake.name}: the rig file lacks {', '.join(lacking)}; the fit begins from those")
    return brake


def _runner(series: Series, brake: Brake) -> Callable[..., Floats]:
    """Logarithms of the scales, scales of contact and through -> [n] outlet as the thermometer would show it."""
    model = OutletModel(series, brake)

    def run(logs: Floats, contact: float = 1.0, through: float = 1.0) -> Floats:
        share, masses, lag = (exp(x) for x in logs.tolist())
        return model.run(share, masses, lag, contact, through)

    return run


def _fitted(series: Series, brake: Brake, stands: tuple[int, int], run: Callable[..., Floats]) -> Fit:
    try:
        from scipy.optimize import least_squares  # noqa: PLC0415 - an extra, only for this
    except ImportError as error:
        raise FitError("found no scipy; allowed: pip install 'brakewater[fit]'") from error
    used = series.known
    seconds = round(np.count_nonzero(used) * series.step_s)
    if seconds < 600:
        raise FitError(f"found {seconds} s of good signals; allowed: 600 s and more")

    def residual(logs: Floats, contact: float = 1.0, through: float = 1.0) -> Floats:
        left: Floats = (run(logs, contact, through) - series.outlet)[used]
        return left

    def fitted(first: Floats, contact: float, through: float = 1.0) -> Any:
        ends = (-_FAR, _FAR)
        return least_squares(residual, first, x_scale=0.1, bounds=ends, diff_step=1e-4, args=(contact, through))

    first = np.zeros(len(NAMES))
    best = fitted(first, 1.0)
    # Contact and through stay as the rig file says; what the others would be if one were off as far as may be counts.
    off = brake.rotor.accuracy if brake.rotor is not None else 0.0
    ends = [best.x, *(fitted(best.x, 1.0 + sign * off).x for sign in (-1.0, 1.0) if off > 0.0)]
    ends += [fitted(best.x, 1.0, through).x for through in (1.0 / _THROUGH, _THROUGH)]
    lows, highs = np.min(ends, axis=0).tolist(), np.max(ends, axis=0).tolist()
    left = best.fun
    hangs = float(np.sum(left[1:] * left[:-1]) / max(float(np.sum(left * left)), 1e-30))
    samples = len(left) * (1.0 - hangs) / (1.0 + hangs)
    normal = best.jac.T @ best.jac * (samples / len(left))
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(normal)) * (float(np.mean(left * left))), 0.0))
    tight = np.linalg.matrix_rank(normal, tol=1e-9 * float(np.max(np.abs(normal)))) == len(NAMES)
    reach = 1.96 * (spread if tight else np.full(len(NAMES), np.inf))
    reach[np.abs(best.x) > 0.99 * _FAR] = 2.0 * _FAR  # it would lie beyond: where, nobody looked
    parameters = tuple(
        Parameter(name=name, value=exp(x), low=exp(low - min(r, 50.0)), high=exp(high + min(r, 50.0)))
        for name, x, low, high, r in zip(NAMES, best.x.tolist(), lows, highs, reach.tolist(), strict=True)
    )
    before = residual(first)
    whole = np.where(used, series.outlet - run(best.x), 0.0)
    return Fit(
        brake=brake.name,
        seconds=seconds,
        stands=stands[0],
        stands_beyond=stands[1],
        parameters=parameters,
        rms_before_k=float(np.sqrt(np.mean(before * before))),
        rms_k=float(np.sqrt(np.mean(left * left))),
        residual_k=whole,
    )
