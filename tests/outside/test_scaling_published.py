"""Langelier's and Ryznar's indices against published worked examples, and the pool tables' own form."""

import pytest

from brakewater.physics.scaling import TDS_OF_CONDUCTIVITY, Indices, Water, indices


def test_ryznar_of_the_worked_example() -> None:
    """watertreatmentbasics.com: pH 8.0, TDS 500, 30 degC, calcium 250, alkalinity 100; printed A 0.17, B 2.02, C 2.0,
    D 2.0, pHs 7.49, RSI 6.98. Its B is rounded from tables (exact 1.9935), so unrounded the example gives 6.93."""
    found = indices(Water(ph=8.0, tds_mg_l=500, calcium_mg_l=250, alkalinity_mg_l=100), 30.0)
    assert found.ryznar == pytest.approx(6.98, abs=0.06)
    assert found.ryznar == pytest.approx(6.9309, abs=1e-4)
    assert found.langelier == pytest.approx(8.0 - 7.49, abs=0.03)


@pytest.mark.parametrize(("degc", "printed"), [(25.0, 0.4), (82.0, 1.4)])
def test_langelier_of_the_widely_printed_example(degc: float, printed: float) -> None:
    """pH 8.6, TDS 273, calcium 150, alkalinity 34: +0.4 at 25 degC, +1.4 at 82 degC, widely printed (from memory)."""
    found = indices(Water(ph=8.6, tds_mg_l=273, calcium_mg_l=150, alkalinity_mg_l=34), degc)
    assert found.langelier == pytest.approx(printed, abs=0.05)


def test_the_compact_form_is_the_same() -> None:
    """stason.org: pHs = 44.15 + log10(TDS)/10 - 13.12 log10(t + 273) - log10(Ca) - log10(Alk)."""
    from math import log10  # noqa: PLC0415 - used by this form alone

    for ph, tds, calcium, alkalinity, degc in ((7.5, 400, 240, 196, 37.8), (8.3, 900, 60, 300, 71.1)):
        compact = 44.15 + log10(tds) / 10 - 13.12 * log10(degc + 273) - log10(calcium) - log10(alkalinity)
        found = indices(Water(ph=ph, tds_mg_l=tds, calcium_mg_l=calcium, alkalinity_mg_l=alkalinity), degc)
        assert found.langelier == pytest.approx(ph - compact, abs=1e-9)
        assert found.ryznar == pytest.approx(2 * compact - ph, abs=1e-9)


def test_the_pool_tables_form_agrees_within_its_rounding() -> None:
    """pooloperationmanagement.com: SI = pH + TF + CF + AF - 12.1; pH 7.0, 76 degF, Ca 200, Alk 50 gives -0.9."""
    found = indices(Water(ph=7.0, tds_mg_l=1000, calcium_mg_l=200, alkalinity_mg_l=50), (76 - 32) / 1.8)
    assert found.langelier == pytest.approx(-0.9, abs=0.15)


def test_hotter_water_scales_sooner_and_verdicts_are_plain() -> None:
    tap = Water(ph=7.5, tds_mg_l=400, calcium_mg_l=240, alkalinity_mg_l=196)
    cold, hot = indices(tap, 5.0), indices(tap, 71.1)
    assert cold.langelier < hot.langelier
    assert hot.verdict == "scaling"
    assert indices(Water(ph=6.5, tds_mg_l=100, calcium_mg_l=20, alkalinity_mg_l=20), 38.0).verdict == "corrosive"


@pytest.mark.parametrize("lacks", ["tds_mg_l", "calcium_mg_l", "alkalinity_mg_l"])
def test_what_has_no_logarithm_is_refused(lacks: str) -> None:
    fine = {"ph": 7.0, "tds_mg_l": 300.0, "calcium_mg_l": 100.0, "alkalinity_mg_l": 100.0}
    with pytest.raises(ValueError, match=lacks):
        indices(Water(**{**fine, lacks: 0.0}), 25.0)


@pytest.mark.parametrize(
    ("langelier", "ryznar", "verdict"),
    [
        (0.4, 6.0, "scaling"),
        (0.2, 6.5, "balanced"),
        (-0.2, 6.9, "balanced"),
        (-0.4, 6.0, "corrosive"),  # by the one index
        (0.0, 7.1, "corrosive"),  # by the other
    ],
)
def test_verdicts_change_where_the_published_tables_do(langelier: float, ryznar: float, verdict: str) -> None:
    """Balanced within 0.3 of Langelier's index and below 7 of Ryznar's."""
    assert Indices(degc=40.0, langelier=langelier, ryznar=ryznar).verdict == verdict


def test_dissolved_solids_are_told_from_conductivity_as_is_common_practice() -> None:
    """0.55 to 0.7 mg/L for each uS/cm."""
    assert 0.55 <= TDS_OF_CONDUCTIVITY <= 0.7
