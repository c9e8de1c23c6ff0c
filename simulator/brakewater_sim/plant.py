"""The whole plant as one state vector and its rate of change, fit for any ODE solver.

    rotor temperatures, skin to core | water in the brake: mass, heat | water in the tank: mass, heat |
    supply flow | pump speed | six accounts of the ledger

Water is kept as mass and enthalpy, so that both are conserved whatever density and heat capacity do; temperature and
level follow from them. The hoist and the schedules of a scenario come in as a ``Drive``: they depend on time alone.
What the brake takes of the power it is asked for hangs on its rotor's temperature (``excite.py``).
"""

from dataclasses import dataclass, field
from math import inf, sqrt
from typing import NamedTuple

from brakewater_sim.brake import BrakeSizes, covered, overflow_m3_s, return_m3_s, steady_level_m, steam_kg_s
from brakewater_sim.excite import ExciteSizes, most_w
from brakewater_sim.hoist import HoistSizes
from brakewater_sim.lines import LineSizes, flow_rate_m3_s2, speed_rate_1_s, static_head_m, steady_flow_m3_s, suction
from brakewater_sim.rotor import RotorSizes, contact_w_k
from brakewater_sim.stepping import State
from brakewater_sim.tank import TankSizes
from brakewater_sim.water import EVAPORATION_J_KG, density_kg_m3, enthalpy_j_kg, temperature_degc


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """All sizes of the plant."""

    hoist: HoistSizes = field(default_factory=HoistSizes)
    rotor: RotorSizes = field(default_factory=RotorSizes)
    brake: BrakeSizes = field(default_factory=BrakeSizes)
    line: LineSizes = field(default_factory=LineSizes)
    tank: TankSizes = field(default_factory=TankSizes)
    excite: ExciteSizes = field(default_factory=ExciteSizes)


class Drive(NamedTuple):
    """What acts on the plant at one moment."""

    brake_w: float
    """Power asked of the brake."""
    coil_w: float
    """Loss in the coil at the most current that the exciter still gives."""
    blockage: float
    ambient_degc: float
    pump_running: bool
    most_w: float = inf
    """What the brake can take, by ``excite.most_w``."""
    pace: float = 1.0
    """Drum speed over the critical speed of a rotor at 20 degC."""
    pull: float = 1.0
    line_s2_m5: float | None = None
    """Resistance of the supply; None for a clean one."""
    scale_k_w: float = 0.0
    supply_leak: float = 0.0
    cooler: float = 1.0
    tank_leak_m3_s: float = 0.0


class PlantState(NamedTuple):
    """The state vector by name (SI, degC; heat in J counted from water at the triple point)."""

    surface_degc: float
    inner_degc: float
    deep_degc: float
    core_degc: float
    brake_kg: float
    brake_j: float
    tank_kg: float
    tank_j: float
    supply_m3_s: float
    """Past the meter."""
    pump_speed: float
    worked_j: float
    """Heat put in by brake and coil."""
    carried_j: float
    """Heat taken from the brake by its water: return less supply."""
    brake_lost_j: float
    """From rotor and housing to the air."""
    tank_lost_j: float
    spilled_j: float
    """With overflow and steam."""
    leaked_j: float
    """With water that left by a leak of the supply or the tank."""


def taken(sizes: Sizes, surface_degc: float, u: Drive) -> tuple[float, float]:
    """Power in W that the brake takes, and the part of its most coil heat that this costs: the square of the current's.

    Where the most current is not enough, the friction brake carries the rest.
    """
    if u.brake_w <= 0.0:
        return 0.0, 0.0
    x = u.pace / (1.0 + sizes.excite.resistivity_1_k * (surface_degc - 20.0))
    most = u.most_w / (x + 1.0 / x)
    return (most, 1.0) if u.brake_w > most else (u.brake_w, u.brake_w / most)


def commanded_a(sizes: Sizes, surface_degc: float, u: Drive, gap: float, drum_rad_s: float) -> float:
    """Current in A that the driller asks for: what a sound exciter would have to give, at most all there is."""
    sound = u._replace(most_w=most_w(sizes.excite, drum_rad_s, gap, 1.0))
    return sizes.excite.most_a * sqrt(taken(sizes, surface_degc, sound)[1])


def slope(sizes: Sizes, y: State, u: Drive) -> State:
    """Rate of change per s of the state ``y`` (laid out as ``PlantState``) under ``u``."""
    surface, inner, deep, core, brake_kg, brake_j, tank_kg, tank_j, flow, speed = y[:10]
    flow = max(0.0, flow)  # the step in which the check valve shuts may overshoot nought by a hair
    rotor, brake, line = sizes.rotor, sizes.brake, sizes.line
    brake_h, tank_h = brake_j / brake_kg, tank_j / tank_kg
    water, tank = temperature_degc(brake_h), temperature_degc(tank_h)
    brake_rho, tank_rho = density_kg_m3(water), density_kg_m3(tank)
    level, tank_level = brake_kg / (brake_rho * brake.area_m2), tank_kg / (tank_rho * sizes.tank.area_m2)

    supply = tank_rho * flow
    arrives = supply * (1.0 - u.supply_leak)
    back = brake_rho * return_m3_s(brake, level, u.blockage)
    spill = brake_rho * overflow_m3_s(brake, level)
    steam = steam_kg_s(brake, brake_kg, water)
    leak = tank_rho * u.tank_leak_m3_s if tank_level > line.suction_m else 0.0

    brake_w, part = taken(sizes, surface, u)
    coil_w = u.coil_w * part
    contact = contact_w_k(rotor, level, flow * (1.0 - u.supply_leak))
    to_water = contact / (1.0 + contact * u.scale_k_w) * (surface - water)
    to_inner = rotor.surface_inner_w_k * (surface - inner)
    to_deep = rotor.inner_deep_w_k * (inner - deep)
    to_core = rotor.deep_core_w_k * (deep - core)
    rotor_lost = rotor.air_w_k * (surface - u.ambient_degc)
    wet = covered(brake, level)
    coil_to_water = wet * coil_w
    housing_lost = wet * brake.ambient_w_k * (water - u.ambient_degc)
    tank_lost = sizes.tank.ambient_w_k * u.cooler * (tank - u.ambient_degc)
    carried = back * brake_h - arrives * tank_h
    spilled = spill * brake_h + steam * (brake_h + EVAPORATION_J_KG)
    leaked = (supply - arrives + leak) * tank_h

    static = static_head_m(line, tank_level, level)
    drawing = suction(line, tank_level) * u.pull
    return (
        (brake_w - to_water - to_inner - rotor_lost) / rotor.surface_j_k,
        (to_inner - to_deep) / rotor.inner_j_k,
        (to_deep - to_core) / rotor.deep_j_k,
        to_core / rotor.core_j_k,
        arrives - back - spill - steam,
        to_water + coil_to_water - carried - spilled - housing_lost,
        back - supply - leak,
        carried - leaked - tank_lost,
        flow_rate_m3_s2(line, flow, speed, drawing, static, u.line_s2_m5),
        speed_rate_1_s(line, speed, running=u.pump_running),
        brake_w + coil_w,
        carried,
        rotor_lost + housing_lost + (coil_w - coil_to_water),
        tank_lost,
        spilled,
        leaked,
    )


def at_rest(sizes: Sizes, water_degc: float) -> PlantState:
    """The plant before any work: all at ``water_degc``, the pump running, levels steady, the ledger empty."""
    h, rho = enthalpy_j_kg(water_degc), density_kg_m3(water_degc)
    tank_kg = rho * sizes.tank.volume_m3
    flow = level = 0.0
    for _ in range(20):  # flow and level lean on each other but little: this settles to the last digit
        flow = steady_flow_m3_s(sizes.line, static_head_m(sizes.line, sizes.tank.height_m, level))
        level = steady_level_m(sizes.brake, flow)
    brake_kg = rho * level * sizes.brake.area_m2
    return PlantState(
        surface_degc=water_degc,
        inner_degc=water_degc,
        deep_degc=water_degc,
        core_degc=water_degc,
        brake_kg=brake_kg,
        brake_j=brake_kg * h,
        tank_kg=tank_kg,
        tank_j=tank_kg * h,
        supply_m3_s=flow,
        pump_speed=1.0,
        worked_j=0.0,
        carried_j=0.0,
        brake_lost_j=0.0,
        tank_lost_j=0.0,
        spilled_j=0.0,
        leaked_j=0.0,
    )


def brake_degc(y: State) -> float:
    """Temperature of the water in the brake, which is that of the outlet."""
    return temperature_degc(y[5] / y[4])


def tank_degc(y: State) -> float:
    """Temperature of the tank, which is that of the inlet."""
    return temperature_degc(y[7] / y[6])


def brake_level_m(sizes: Sizes, y: State) -> float:
    """Water level in the brake."""
    return y[4] / (density_kg_m3(brake_degc(y)) * sizes.brake.area_m2)


def tank_level_m(sizes: Sizes, y: State) -> float:
    """Water level in the tank."""
    return y[6] / (density_kg_m3(tank_degc(y)) * sizes.tank.area_m2)


def rotor_degc(sizes: Sizes, y: State) -> float:
    """Mean temperature of the rotor, by heat content."""
    rotor = sizes.rotor
    heat = rotor.surface_j_k * y[0] + rotor.inner_j_k * y[1] + rotor.deep_j_k * y[2] + rotor.core_j_k * y[3]
    return heat / rotor.whole_j_k
