"""The energy ledger: what was put in stands again as stored, carried, lost or spilled, between two states."""

from dataclasses import dataclass

from brakewater_sim.plant import PlantState, Sizes, rotor_degc


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """Heat in J between two moments."""

    worked_j: float
    rotor_j: float
    """Stored in the rotor."""
    brake_j: float
    """Stored in the water of the brake."""
    tank_j: float
    """Stored in the tank."""
    carried_j: float
    """Taken from the brake by its water."""
    brake_lost_j: float
    tank_lost_j: float
    spilled_j: float
    leaked_j: float
    """With water lost from tank or supply: of no account to the brake."""

    @property
    def brake_error_j(self) -> float:
        """What the account of the brake alone leaves open."""
        return self.worked_j - (self.rotor_j + self.brake_j + self.carried_j + self.brake_lost_j + self.spilled_j)

    @property
    def whole_error_j(self) -> float:
        """What the account of brake and tank together leaves open."""
        stored = self.rotor_j + self.brake_j + self.tank_j
        return self.worked_j - (stored + self.brake_lost_j + self.tank_lost_j + self.spilled_j + self.leaked_j)


def ledger(sizes: Sizes, before: PlantState, after: PlantState) -> Ledger:
    """The account between two states."""
    return Ledger(
        worked_j=after.worked_j - before.worked_j,
        rotor_j=sizes.rotor.whole_j_k * (rotor_degc(sizes, after) - rotor_degc(sizes, before)),
        brake_j=after.brake_j - before.brake_j,
        tank_j=after.tank_j - before.tank_j,
        carried_j=after.carried_j - before.carried_j,
        brake_lost_j=after.brake_lost_j - before.brake_lost_j,
        tank_lost_j=after.tank_lost_j - before.tank_lost_j,
        spilled_j=after.spilled_j - before.spilled_j,
        leaked_j=after.leaked_j - before.leaked_j,
    )
