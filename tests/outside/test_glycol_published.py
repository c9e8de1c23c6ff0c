"""Glycol mixtures against the reference library, a handbook, and the text of the rig file."""

import numpy as np
import pytest

from brakewater.physics import fluid
from outside import fit_glycol

KINDS = list(fit_glycol.FLUIDS)


@pytest.mark.parametrize(("kind", "basis"), KINDS)
def test_tables_stay_within_a_fifth_of_a_percent_of_the_reference(kind: str, basis: str) -> None:
    # Source: CoolProp INCOMP, at shares between those the fit was made at.
    name, least = fit_glycol.FLUIDS[kind, basis]
    for share in np.linspace(least, fit_glycol.MOST_SHARE, 17).tolist():
        mix = fluid.glycol(kind, basis, share)
        t = np.linspace(fit_glycol.lowest_degc(name, share), 99.9, 41)
        density, cp = (fit_glycol.reference(name, share, what, t) for what in "DC")
        np.testing.assert_allclose(fluid.density_kg_m3(mix, t), density, rtol=2e-4)
        np.testing.assert_allclose(fluid.cp_j_kg_k(mix, t), cp, rtol=1e-3)
        # the heat a kilogram takes up over 30 K is the reference's cp integrated (Simpson would hide nothing here)
        fine = np.linspace(50.0, 80.0, 301)
        taken = np.trapezoid(fit_glycol.reference(name, share, "C", fine), fine)
        low, high = fluid.enthalpy_j_kg(mix, np.array([50.0, 80.0]))
        assert high - low == pytest.approx(taken, rel=5e-4)
        assert mix.lowest_degc == pytest.approx(
            max(fit_glycol.freezing_degc(name, share), fit_glycol.LEAST_DEGC), abs=0.02
        )


@pytest.mark.parametrize(("kind", "basis"), KINDS)
def test_slopes_are_those_of_the_curves(kind: str, basis: str) -> None:
    mix, t, h = fluid.glycol(kind, basis, 0.4), np.linspace(0.0, 90.0, 19), 1e-3
    rise = (fluid.enthalpy_j_kg(mix, t + h) - fluid.enthalpy_j_kg(mix, t - h)) / (2 * h)
    np.testing.assert_allclose(fluid.cp_j_kg_k(mix, t), rise, rtol=1e-6)
    grow = (fluid.density_kg_m3(mix, t + h) - fluid.density_kg_m3(mix, t - h)) / (2 * h)
    np.testing.assert_allclose(fluid.expansion_kg_m3_k(mix, t), grow, rtol=1e-4)


@pytest.mark.parametrize(("share", "handbook"), [(0.3, 1037.93), (0.5, 1064.88)])
def test_density_against_the_handbook(share: float, handbook: float) -> None:
    # Source: ASHRAE Fundamentals, ethylene glycol by volume (Table 5-16 of a piping design manual), at 40 degC.
    mix = fluid.glycol("ethylene", "vol", share)
    assert fluid.density_kg_m3(mix, np.array([40.0]))[0] == pytest.approx(handbook, rel=1.5e-3)


def test_cp_against_an_equipment_manual() -> None:
    # Source: glycol table of an HVAC equipment manual: propylene glycol 30 %, 40 degC: 1018.4 kg/m3, 3.90 kJ/(kg K).
    mix, at = fluid.glycol("propylene", "vol", 0.3), np.array([40.0])
    assert fluid.density_kg_m3(mix, at)[0] == pytest.approx(1018.4, rel=2e-4)
    assert fluid.cp_j_kg_k(mix, at)[0] == pytest.approx(3900.0, rel=1e-3)


def test_the_basis_matters() -> None:
    by_mass, by_volume = (fluid.parse(f"30 % {basis} ethylene glycol") for basis in ("mass", "vol"))
    ratio = fluid.cp_j_kg_k(by_volume, np.array([40.0])) / fluid.cp_j_kg_k(by_mass, np.array([40.0]))
    assert ratio[0] == pytest.approx(3702.1 / 3775.4, rel=5e-4)  # CoolProp 8 at 40 degC


@pytest.mark.parametrize(
    "text",
    ["oil", "30 % ethylene glycol", "30 vol ethylene glycol", "5 % vol ethylene glycol", "61 % mass propylene glycol"],
)
def test_a_fluid_that_is_none_is_refused_with_what_could_stand_there(text: str) -> None:
    with pytest.raises(ValueError, match=r"allowed: .*% vol ethylene glycol"):
        fluid.parse(text)
