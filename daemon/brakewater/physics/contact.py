"""How badly heat passes from the rotor into the water, told from how long it stays in the rotor: scale makes it stay.

Little's law: what is held is what passes times how long it stays. Over a stand of length T, with ``q`` the heat into
the water, ``P`` what is put in, and as much held at any moment as passes at that moment, ``S = q tau``::

    S(t) = q_0 tau + f D(t) - H(t)      D, H: put in and passed on since the stand began; f closes the balance
    sum S dt = tau H                    f = (H + (q_e - q_0) tau) / D
    tau = (H/D sum D dt - sum H dt) / (H - q_0 T - (q_e - q_0)/D sum D dt)

``f`` takes out whatever the hoist's work and the water's heat differ by in the stand, so that neither the friction
brake's part nor a sensor's error passes for scale. Through a resistance R into iron of capacity C heat stays R C on
average, whatever the iron passes on within itself (the first moment of two masses in series; worked out by hand, held
against scipy's integrator in a test). A stand is too short for all of the iron, so that much scale reads low: it is a
sign to be followed from trip to trip, no thickness.

Source: Little (1961), "A proof for the queuing formula L = lambda W"; used here for heat, from memory.
"""

from typing import Final

LEAST_TOLD: Final = 0.4
"""Where more than the rest of a stand's heat was there before it, it says nothing of its own; an assumption."""


def stays_s(
    put_in: tuple[float, float], passed: tuple[float, float], ends: tuple[float, float], lasts_s: float
) -> float:
    """How long heat stays, s; not positive where the stand cannot tell it.

    Args:
        put_in: J at the stand's end, and the integral of what was put in since its begin, J s.
        passed: the same of what passed into the water.
        ends: W into the water when it began, and when it ended.
        lasts_s: length of the stand, s.
    """
    (energy, energy_s), (heat, heat_s), (first, last) = put_in, passed, ends
    if energy <= 0.0:
        return 0.0
    waiting = heat - first * lasts_s - (last - first) * energy_s / energy
    if waiting < LEAST_TOLD * heat:
        return 0.0
    return (heat * energy_s / energy - heat_s) / waiting
