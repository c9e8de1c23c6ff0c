"""The two classes of brake that the simulator has: 75 and 150 US gal/min (common practice, no published source).

The larger one is the smaller one twice: rotor, torque, water surface and weir doubled; 3 in supply and 4 in return
(bores of schedule 40 pipe, from memory), a pump of the same head for twice the flow, a tank of the same 200 bbl with a
cooler of twice the strength. Invented for the demonstration.
"""

from dataclasses import replace

from brakewater_sim.brake import BrakeSizes
from brakewater_sim.excite import ExciteSizes
from brakewater_sim.hoist import HoistSizes
from brakewater_sim.lines import LineSizes
from brakewater_sim.plant import Sizes
from brakewater_sim.rotor import RotorSizes
from brakewater_sim.tank import TankSizes

SMALL = Sizes()

_ROTOR, _LINE, _EXCITE = RotorSizes(), LineSizes(), ExciteSizes()
LARGE = Sizes(
    hoist=HoistSizes(pipe_kg_m=42.0, collars_kg=60_000.0, block_kg=32_000.0, lines=12, drum_m=0.85),
    rotor=replace(
        _ROTOR,
        surface_j_k=2 * _ROTOR.surface_j_k,
        inner_j_k=2 * _ROTOR.inner_j_k,
        deep_j_k=2 * _ROTOR.deep_j_k,
        core_j_k=2 * _ROTOR.core_j_k,
        surface_inner_w_k=2 * _ROTOR.surface_inner_w_k,
        inner_deep_w_k=2 * _ROTOR.inner_deep_w_k,
        deep_core_w_k=2 * _ROTOR.deep_core_w_k,
        air_w_k=2 * _ROTOR.air_w_k,
        still_w_k=2 * _ROTOR.still_w_k,
        flowing_w_k=2 * _ROTOR.flowing_w_k,
        rated_m3_s=2 * _ROTOR.rated_m3_s,
        wetted_m2=2 * _ROTOR.wetted_m2,
    ),
    brake=BrakeSizes(area_m2=1.10, return_m2=8.21e-3, discharge=0.66, weir=0.72, ambient_w_k=240.0),
    line=replace(
        _LINE,
        pump_s2_m5=_LINE.pump_s2_m5 / 4,
        line_s2_m5=_LINE.line_s2_m5 / 4,
        strainer_s2_m5=_LINE.strainer_s2_m5 / 4,
        filter_s2_m5=_LINE.filter_s2_m5 / 4,
        bore_m2=4.77e-3,
    ),
    tank=TankSizes(ambient_w_k=12_000.0),
    excite=replace(_EXCITE, torque_nm=2 * _EXCITE.torque_nm),
)

CLASSES = {"75 gal/min": SMALL, "150 gal/min": LARGE}
