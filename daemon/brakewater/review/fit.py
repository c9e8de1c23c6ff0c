"""Parameters of a brake's rotor refined from what it did: least squares on the outlet temperature of whole records.

The same balance that the estimate uses (``physics.rotor``) is run forward from the hoist's duty, with the water in the
housing as one stirred volume and the thermometer's lag behind it; parameters are scaled until the outlet comes out as
recorded. Confidence comes from the slopes at the best fit, widened for residuals that hang together from second to
second. Where the record cannot tell a parameter its interval says so, and nothing is offered.

Source: nonlinear regression as in any text of statistics; effective number of samples (1 - r)/(1 + r), from memory.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp
from typing import Any, Final

import numpy as np

from brakewater.engine import Engine
from brakewater.errors import BrakewaterError
from brakewater.physics import fluid
from brakewater.physics.rotor import RotorModel, contact_w_k
from brakewater.quality import is_bad
from brakewater.record.reader import Record
from brakewater.review.replay import Tally, replayed
from brakewater.rig import Brake, Rig
from brakewater.stream import Block, Floats

NAMES: Final = ("share", "masses", "lag")
"""Part of the duty in the water; scales of both heat capacities and of the thermometer's lag. The contact with
the water cannot be told from the outlet, as a contact too poor looks just like a well too slow: it stays as it is."""
WIDEST: Final = 0.5
"""A 95 % interval wider than half of the value tells nothing a rig file could use."""
_FEWEST_STANDS: Final = 3
_LONGEST_S: Final = 20_000
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
    parameters: tuple[Parameter, ...]
    rms_before_k: float
    rms_k: float
    residual_k: Floats
    """[seconds] recorded less modelled outlet, for a plot."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Series:
    """[n] each, a second apart."""

    duty: Floats
    flow: Floats
    inlet: Floats
    outlet: Floats
    level: Floats
    known: Any


def fit(record: Record, name: str | None = None) -> Fit:
    """Refine the parameters of one brake.

    Args:
        record: of one rig file; with hook load and block position.
        name: of the brake; None: the first.

    Raises:
        FitError: the record cannot tell, or the rig file lacks what the model needs.
    """
    engine = Engine()
    series, brake = _read(record, engine, name)
    rotor = brake.rotor
    assert rotor is not None
    stands = int(np.count_nonzero((series.duty[1:] > 5e4) & (series.duty[:-1] <= 5e4)))
    if stands < _FEWEST_STANDS:
        raise FitError(f"found {stands} stands lowered in this record; allowed: {_FEWEST_STANDS} or more, under load")
    run = _runner(series, brake)
    return _fitted(series, brake, stands, run)


def _read(record: Record, engine: Engine, name: str | None) -> tuple[_Series, Brake]:
    columns: dict[str, list[Floats]] = {key: [] for key in (*_NEEDED, "known")}
    brake: Brake | None = None
    for item, outcome in replayed(record, engine, Tally()):
        if not isinstance(item, Block):
            continue
        brake = brake or _brake(engine.rig, name)
        every = max(1, round(1e9 / engine.rig.scan_ns))
        part = slice(every - 1, None, every)
        found = {role: outcome.readings[engine.rig.role(role, brake.name).name] for role in _NEEDED[1:]}  # type: ignore[union-attr]
        found["duty_w"] = outcome.derived[brake.name, "duty_w"]
        bad = np.zeros(len(item), np.bool_)
        for role, column in found.items():
            columns[role].append(column.values[part])
            bad |= is_bad(column.codes)
        columns["known"].append((~bad[part]).astype(np.float64))
    if brake is None:
        raise FitError("found no scan in this record; allowed: a record with some")
    whole = {key: np.concatenate(parts)[:_LONGEST_S] for key, parts in columns.items()}
    return _Series(
        duty=whole["duty_w"],
        flow=whole["inlet-flow"],
        inlet=whole["inlet-temperature"],
        outlet=whole["outlet-temperature"],
        level=whole["brake-level"],
        known=whole["known"] > 0.5,
    ), brake


def _brake(rig: Rig, name: str | None) -> Brake:
    brake = next((one for one in rig.brakes if name in (None, one.name)), None)
    if brake is None:
        raise FitError(f"found no brake {name!r}; allowed: {', '.join(one.name for one in rig.brakes)}")
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


def _runner(series: _Series, brake: Brake) -> Callable[[Floats], Floats]:
    """Logarithms of the scales -> [n] outlet as the thermometer would show it."""
    rotor = brake.rotor
    assert rotor is not None
    model = RotorModel(
        surface_j_k=rotor.surface, core_j_k=rotor.core, through_w_k=rotor.through, still_w_k=rotor.still,
        flowing_w_k=rotor.flowing, rated_m3_s=brake.least_flow, wet_m=rotor.wet_level, std=rotor.accuracy,
    )  # fmt: skip
    contact = contact_w_k(model, series.level, series.flow).tolist()
    held = fluid.held(brake.fluid, series.outlet)
    per_m3 = fluid.density_kg_m3(brake.fluid, held) * fluid.cp_j_kg_k(brake.fluid, held)
    water = np.maximum(per_m3 * (brake.housing_area or 0.0) * series.level, 1e4).tolist()
    carried = (per_m3 * np.maximum(series.flow, 0.0)).tolist()
    # the duty of a second is a mean about half a second before what is shown with it
    duty = 0.5 * (series.duty + np.concatenate((series.duty[1:], series.duty[-1:])))
    rows = list(zip(duty.tolist(), contact, water, carried, series.inlet.tolist(), strict=True))
    lag_s = max(brake.thermowell_lag / 1e9, 1e-3)
    start = float(series.outlet[0])

    def run(logs: Floats) -> Floats:
        share, by_mass, by_lag = (exp(x) for x in logs.tolist())
        lag = lag_s * by_lag
        skin = core = tank = shown = start
        surface, iron, through = rotor.surface * by_mass, rotor.core * by_mass, rotor.through
        found = []
        for power, touch, capacity, flow, inlet in rows:
            for _ in range(2):  # half a second at a time keeps the implicit steps close to the truth
                skin = (skin + 0.5 / surface * (share * power + touch * tank + through * core)) / (
                    1.0 + 0.5 / surface * (touch + through)
                )
                core = (core + 0.5 / iron * through * skin) / (1.0 + 0.5 / iron * through)
                tank = (tank + 0.5 / capacity * (touch * skin + flow * inlet)) / (1.0 + 0.5 / capacity * (touch + flow))
                shown = (shown + 0.5 / lag * tank) / (1.0 + 0.5 / lag)
            found.append(shown)
        return np.array(found)

    return run


def _fitted(series: _Series, brake: Brake, stands: int, run: Callable[[Floats], Floats]) -> Fit:
    try:
        from scipy.optimize import least_squares  # noqa: PLC0415 - an extra, only for this
    except ImportError as error:
        raise FitError("found no scipy; allowed: pip install 'brakewater[fit]'") from error
    warm = np.arange(len(series.outlet)) > 300  # what the rotor was before is not known
    used = series.known & warm
    if np.count_nonzero(used) < 600:
        raise FitError(f"found {np.count_nonzero(used)} s of good signals; allowed: 600 s and more")

    def residual(logs: Floats) -> Floats:
        left: Floats = (run(logs) - series.outlet)[used]
        return left

    first = np.zeros(len(NAMES))
    best = least_squares(residual, first, x_scale=0.1, bounds=(-1.2, 1.2), diff_step=1e-4)
    left = best.fun
    hangs = float(np.sum(left[1:] * left[:-1]) / max(float(np.sum(left * left)), 1e-30))
    samples = len(left) * (1.0 - hangs) / (1.0 + hangs)
    normal = best.jac.T @ best.jac * (samples / len(left))
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(normal)) * (float(np.mean(left * left))), 0.0))
    tight = np.linalg.matrix_rank(normal, tol=1e-9 * float(np.max(np.abs(normal)))) == len(NAMES)
    reach = 1.96 * (spread if tight else np.full(len(NAMES), np.inf))
    parameters = tuple(
        Parameter(name=name, value=exp(x), low=exp(x - min(r, 50.0)), high=exp(x + min(r, 50.0)))
        for name, x, r in zip(NAMES, best.x.tolist(), reach.tolist(), strict=True)
    )
    before = residual(first)
    whole = np.where(used, series.outlet - run(best.x), 0.0)
    return Fit(
        brake=brake.name,
        seconds=int(np.count_nonzero(used)),
        stands=stands,
        parameters=parameters,
        rms_before_k=float(np.sqrt(np.mean(before * before))),
        rms_k=float(np.sqrt(np.mean(left * left))),
        residual_k=whole,
    )
