"""The rotor of a rig file as the laws of ``physics`` take it."""

from brakewater.physics.rotor import RotorModel
from brakewater.rig.tables import Brake


def rotor_model(brake: Brake, times: float = 1.0) -> RotorModel | None:
    """None where the rig file has none; its accuracy counts as the limit of a rectangular distribution.

    Args:
        brake: of the rig file.
        times: so many times as large, for a brake of another class.
    """
    rotor = brake.rotor
    if rotor is None:
        return None
    return RotorModel(
        surface_j_k=rotor.surface * times, core_j_k=rotor.core * times, through_w_k=rotor.through * times,
        still_w_k=rotor.still * times, flowing_w_k=rotor.flowing * times, rated_m3_s=brake.least_flow * times,
        wet_m=rotor.wet_level, std=rotor.accuracy / 3.0**0.5,
    )  # fmt: skip
