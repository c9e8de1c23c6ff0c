"""Units against pint's registry (the library ``pint``, its default definitions) and the exact definitions
(inch 25.4 mm, pound 0.45359237 kg, standard gravity 9.80665 m/s2, US gallon 231 cubic inches).
"""

import pint
import pytest

from brakewater.units import UNITS, Dimension, parse, to_unit

REGISTRY = pint.UnitRegistry()
IN_PINT = {
    "m3/s": "m**3/s", "m3/h": "m**3/hour", "L/s": "liter/s", "L/min": "liter/minute", "gal/min": "gallon/minute",
    "imp gal/min": "imperial_gallon/minute", "bbl/h": "oil_bbl/hour",
    "degC": "degC", "degF": "degF", "K": "delta_degC",
    "m": "m", "cm": "cm", "mm": "mm", "in": "inch", "ft": "foot",
    "m/s": "m/s", "mm/s": "mm/s", "in/s": "inch/s", "in/min": "inch/minute", "ft/s": "foot/s", "ft/min": "foot/minute",
    "m3": "m**3", "L": "liter", "US gal": "gallon", "imp gal": "imperial_gallon", "bbl": "oil_bbl",
    "W": "W", "kW": "kW", "MW": "MW", "BTU/h": "Btu_it/hour", "mech hp": "horsepower", "metric hp": "metric_horsepower",
    "J": "J", "MJ": "MJ", "kWh": "kWh",
    "N": "N", "kN": "kN", "lbf": "lbf", "klbf": "kilolbf",
    "Pa": "Pa", "kPa": "kPa", "bar": "bar", "psi": "psi",
    "s": "s", "ms": "ms", "min": "minute", "h": "hour", "d": "day",
    "kg/m3": "kg/m**3", "lb/US gal": "pound/gallon", "J/K": "J/delta_degC", "kJ/K": "kJ/delta_degC",
    "MJ/K": "MJ/delta_degC", "W/K": "W/delta_degC", "kW/K": "kW/delta_degC",
    "N m": "N*m", "kN m": "kN*m", "lbf ft": "force_pound*foot", "kg": "kg", "t": "metric_ton", "lb": "pound",
    "kg/m": "kg/m", "lb/ft": "pound/foot",
    "K/s": "delta_degC/s", "degF/s": "delta_degF/s",
    "m2": "m**2", "ft2": "foot**2", "A": "A", "V": "V", "rpm": "rpm", "rad/s": "rad/s", "%": "percent", "1": "",
}  # fmt: skip
SI_IN_PINT = {Dimension.TEMPERATURE: "degC", Dimension.DIFFERENCE: "delta_degC", Dimension.RATE: "delta_degC/s"}
SI_IN_PINT |= {Dimension.HEAT_CAPACITY: "J/delta_degC", Dimension.CONDUCTANCE: "W/delta_degC"}


def in_pint(number: float, name: str, dimension: Dimension) -> float:
    quantity = REGISTRY.Quantity(number, IN_PINT[name])
    return float(quantity.to(SI_IN_PINT.get(dimension) or IN_PINT[dimension.value]).magnitude)


def test_every_unit_is_checked() -> None:
    assert set(IN_PINT) == set(UNITS)


@pytest.mark.parametrize("name", UNITS)
@pytest.mark.parametrize("number", [0.0, 1.0, -40.0, 75.0, 12345.678])
def test_against_pint(name: str, number: float) -> None:
    dimension = UNITS[name].dimension
    value = parse(f"{number} {name}", dimension)
    assert value == pytest.approx(in_pint(number, name, dimension), rel=1e-12, abs=1e-12)
    assert to_unit(value, name) == pytest.approx(number, rel=1e-12, abs=1e-11)


@pytest.mark.parametrize(("name", "in_registry"), [("degF", "delta_degF"), ("degC", "delta_degC"), ("K", "delta_degC")])
def test_differences_against_pint(name: str, in_registry: str) -> None:
    wanted = REGISTRY.Quantity(60.0, in_registry).to("delta_degC").magnitude
    assert parse(f"60 {name}", Dimension.DIFFERENCE) == pytest.approx(wanted, rel=1e-12)


EXACT = {
    # the powers and the ton-mile are rounded to ten digits
    ("1 US gal", Dimension.VOLUME): 231 * 0.0254**3,
    ("1 gal/min", Dimension.FLOW): 6.30901964e-5,
    ("1 bbl", Dimension.VOLUME): 0.158987294928,
    ("200 bbl", Dimension.VOLUME): 31.7974589856,
    ("8400 US gal", Dimension.VOLUME): 31.7974589856,
    ("1 BTU/h", Dimension.POWER): 0.2930710702,
    ("3412.141633 BTU/h", Dimension.POWER): 1000.0,
    ("1 mech hp", Dimension.POWER): 745.6998716,
    ("1 metric hp", Dimension.POWER): 735.49875,
    ("1 lbf", Dimension.FORCE): 0.45359237 * 9.80665,
    ("1 klbf", Dimension.FORCE): 4448.2216153,
    ("1 in", Dimension.LENGTH): 0.0254,
    ("60 degF", Dimension.DIFFERENCE): 33.33333333,
    ("10 degF", Dimension.DIFFERENCE): 5.555555556,
    ("100 degF", Dimension.TEMPERATURE): 37.77777778,
    ("160 degF", Dimension.TEMPERATURE): 71.11111111,
}


@pytest.mark.parametrize(("text", "dimension"), EXACT)
def test_exact_definitions(text: str, dimension: Dimension) -> None:
    assert parse(text, dimension) == pytest.approx(EXACT[text, dimension], rel=2e-9)
