"""From a checked scenario file to a scenario: legs, faults and holds as profiles and sizes."""

from collections.abc import Sequence
from dataclasses import replace
from math import inf
from typing import Any

from brakewater_sim.classes import CLASSES
from brakewater_sim.crew import Crew
from brakewater_sim.faults import FAULTS, Acts, sensor_size, size
from brakewater_sim.health import SOUND
from brakewater_sim.hoist import HoistSizes
from brakewater_sim.plant import Sizes
from brakewater_sim.profile import Profile, constant
from brakewater_sim.scenarios import Scenario, Silence
from brakewater_sim.sensors import IDEAL, SENSORS, SensorFault

_LEAST_S = 0.05
"""A change takes at least a step of the plant."""


def scenario_of(told: Any, *, legs: Sequence[Any], faults: Sequence[Any], holds: Sequence[Any]) -> Scenario:
    """The scenario of a checked file (``story.py`` holds the records)."""
    sizes = _sizes(told, faults)
    hoists = tuple(_leg(leg, sizes.hoist, follows=index > 0) for index, leg in enumerate(legs)) or (sizes.hoist,)
    conditions: dict[str, tuple[Profile, ...]] = {}
    for one in _of(faults, Acts.CONDITION):
        row = FAULTS[one.fault]
        ramp = grown(one, getattr(SOUND, row.on), size(row, one.severity))
        conditions[row.on] = (*conditions.get(row.on, ()), ramp)
    return Scenario(
        name=told.name,
        says=told.says,
        length_s=told.length * 1e-9,
        warmup_s=told.warmup * 1e-9 if hoists[0].wait_s == 0.0 and hoists[0].direction == "in" else 0.0,
        water_degc=told.water,
        ambient_degc=_first(faults, Acts.AIR, told.ambient),
        pump=_pump(faults),
        pace=_held(holds) if holds else _first(faults, Acts.PACE, 1.0),
        conditions=conditions,
        legs=hoists[1:],
        sensors=IDEAL if told.ideal_sensors else SENSORS,
        lost_one_in=told.lost_one_in,
        faults=tuple(_sensor_fault(one) for one in _of(faults, Acts.SENSOR)),
        silences=tuple(_silence(one) for one in _of(faults, Acts.DEVICE)),
        sizes=replace(sizes, hoist=hoists[0]),
    )


def grown(one: Any, sound: float, hurt: float) -> Profile:
    """From ``sound`` to ``hurt`` at a fault's time, and back at its end, from what it had grown to by then."""
    over = FAULTS[one.fault].over_s if one.over is None else one.over * 1e-9
    at, over = one.at * 1e-9, max(_LEAST_S, over)
    knots = [(at, sound), (at + over, hurt)]
    until = None if one.until is None else one.until * 1e-9
    if until is not None and until < at + over:
        reached = sound + (hurt - sound) * (until - at) / over
        knots = [(at, sound), (until, reached), (until + max(_LEAST_S, min(over, 2.0)), sound)]
    elif until is not None:
        until = max(until, at + over + _LEAST_S)
        knots += [(until, hurt), (until + max(_LEAST_S, min(over, 2.0)), sound)]
    return Profile(knots=tuple(knots))


def _of(faults: Sequence[Any], acts: Acts) -> list[Any]:
    return [one for one in faults if FAULTS[one.fault].acts is acts]


def _first(faults: Sequence[Any], acts: Acts, sound: float) -> Profile:
    for one in _of(faults, acts):
        return grown(one, sound, size(FAULTS[one.fault], one.severity))
    return constant(sound)


def _pump(faults: Sequence[Any]) -> Profile:
    for one in _of(faults, Acts.PUMP):
        at = one.at * 1e-9
        knots = [(at, 1.0), (at + _LEAST_S, 0.0)]
        if one.until is not None:
            knots += [(one.until * 1e-9 + _LEAST_S, 0.0), (one.until * 1e-9 + 2 * _LEAST_S, 1.0)]
        return Profile(knots=tuple(knots))
    return constant(1.0)


def _held(holds: Sequence[Any]) -> Profile:
    """Pace 0 within each hold; stopping and going on take 3 s."""
    knots: list[tuple[float, float]] = []
    for one in sorted(holds, key=lambda hold: int(hold.at)):
        at, until = one.at * 1e-9, one.until * 1e-9
        if knots and at <= knots[-1][0]:
            at = knots[-1][0] + _LEAST_S
        knots += [(at, 1.0), (at + 3.0, 0.0), (max(until, at + 3.0 + _LEAST_S), 0.0)]
        knots.append((knots[-1][0] + 3.0, 1.0))
    return Profile(knots=tuple(knots))


def _sizes(told: Any, faults: Sequence[Any]) -> Sizes:
    sizes = CLASSES[told.brake]
    volume = sizes.tank.volume_m3 if told.tank is None else told.tank
    for one in _of(faults, Acts.TANK):
        volume *= size(FAULTS[one.fault], one.severity)
    return replace(sizes, tank=replace(sizes.tank, volume_m3=volume))


def _leg(leg: Any, sizes: HoistSizes, *, follows: bool) -> HoistSizes:
    crew = None
    if leg.crew is not None:
        crew = Crew(
            seed=leg.crew, spread=leg.spread, hitch=leg.hitch, rest_every=leg.rest_every, rest_s=leg.rest * 1e-9
        )
    changes = {
        "lowering_m_s": leg.lowering,
        "pulling_m_s": leg.pulling,
        "connect_s": None if leg.connect is None else leg.connect * 1e-9,
        "collars_kg": leg.collars,
    }
    return replace(
        sizes,
        direction=leg.direction,
        start_depth_m=leg.start,
        end_depth_m=leg.end,
        wait_s=leg.wait * 1e-9,
        follows=follows,
        crew=crew,
        **{key: value for key, value in changes.items() if value is not None},
    )


def _sensor_fault(one: Any) -> SensorFault:
    row = FAULTS[one.fault]
    role = row.role or one.role
    kind: Any = row.on
    return SensorFault(
        role=role,
        kind=kind,
        from_s=one.at * 1e-9,
        to_s=inf if one.until is None else one.until * 1e-9,
        size=sensor_size(row, one.severity, role),
    )


def _silence(one: Any) -> Silence:
    to_s = inf if one.until is None else one.until * 1e-9
    return Silence(device=one.device, from_s=one.at * 1e-9, to_s=to_s, stuck=FAULTS[one.fault].on == "stuck")
