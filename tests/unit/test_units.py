import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from brakewater.rig import quantity
from brakewater.units import CREW_UNITS, UNITS, Dimension, UnitError, counted, parse, shown, to_unit, units_of, utc_text


@pytest.mark.parametrize(
    "text", ["75 gal/min", "75gal/min", "  75   gal/min ", "+75 gal/min", "75.0 gal/min", "7.5e1 gal/min"]
)
def test_ways_to_write_a_quantity(text: str) -> None:
    assert parse(text, Dimension.FLOW) == pytest.approx(75 * 6.30901964e-5)


def test_a_difference_takes_no_offset() -> None:
    assert parse("2 degF", Dimension.DIFFERENCE) == pytest.approx(1.1111111)
    assert parse("2 degC", Dimension.DIFFERENCE) == 2.0
    assert parse("2 degF", Dimension.TEMPERATURE) == pytest.approx(-16.6666667)
    assert to_unit(1.0, "degF", difference=True) == pytest.approx(1.8)


@pytest.mark.parametrize("text", ["75,5 gal/min", "-0,5 gal/min", "1.000,5 gal/min", "1,000 gal/min"])
def test_a_comma_among_digits_is_named(text: str) -> None:
    with pytest.raises(UnitError, match="a decimal point, no comma: a number and a unit"):
        parse(text, Dimension.FLOW)


def test_a_bare_number_may_be_a_number() -> None:
    assert parse("0.3", Dimension.NUMBER) == 0.3
    assert parse("30 %", Dimension.NUMBER) == pytest.approx(0.3)


SEVERAL = {
    ("75 gal", Dimension.VOLUME): ("'gal' means several", '"US gal" or "imp gal"'),
    ("75 gal", Dimension.FLOW): ("'gal' means several", '"gal/min" (US) or "imp gal/min"'),
    ("75 gpm", Dimension.FLOW): ("'gpm' means several", '"gal/min" (US) or "imp gal/min"'),
    ("5 ton", Dimension.FORCE): ("'ton' means several", '"kN", "lbf" or "klbf"'),
    ("5 tons", Dimension.FORCE): ("'tons' means several", '"kN", "lbf" or "klbf"'),
    ("5 hp", Dimension.POWER): ("'hp' means several", '"mech hp" (550 ft lbf/s) or "metric hp"'),
    ("5 hp", Dimension.FLOW): ("'hp' means several", "one of: m3/s"),
}


@pytest.mark.parametrize(("text", "dimension"), SEVERAL)
def test_units_that_mean_several_things_are_refused_with_the_choices(text: str, dimension: Dimension) -> None:
    found, allowed = SEVERAL[text, dimension]
    with pytest.raises(UnitError) as caught:
        parse(text, dimension)
    assert found in caught.value.found
    assert allowed in caught.value.allowed


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "gal/min",
        "75",
        "x gal/min",
        "75 mm",
        "75 gal/min/s",
        "75 GAL/MIN",
        "nan gal/min",
        "inf gal/min",
        "1e999 gal/min",
        "-1e999 gal/min",
        "7 5 gal/min",
        "0x10 L/s",
        "1_000 L/s",
        "75\x00gal/min",
    ],
)
def test_what_is_no_flow_is_refused(text: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse(text, Dimension.FLOW)
    assert caught.value.allowed


def test_a_temperature_is_no_difference_and_the_other_way_round() -> None:
    for text, dimension in (("2 K", Dimension.TEMPERATURE), ("2 mm", Dimension.DIFFERENCE), ("2 degF", Dimension.RATE)):
        with pytest.raises(UnitError):
            parse(text, dimension)
    assert units_of(Dimension.DIFFERENCE) == "K, degF, degC"


@given(st.text(max_size=20), st.sampled_from(Dimension))
def test_any_text_is_a_number_or_refused(text: str, dimension: Dimension) -> None:
    try:
        value = parse(text, dimension)
    except UnitError as error:
        assert error.found  # noqa: PT017 - either way is right here
    else:
        assert value == value  # noqa: PLR0124 - not NaN


@given(st.floats(-1e12, 1e12), st.sampled_from(sorted(UNITS)))
def test_there_and_back(number: float, name: str) -> None:
    value = parse(f"{number!r} {name}", UNITS[name].dimension)
    assert to_unit(value, name) == pytest.approx(number, rel=1e-12, abs=1e-10)


@pytest.mark.parametrize("system", CREW_UNITS)
def test_every_crew_reads_every_dimension_in_a_unit_of_it(system: str) -> None:
    for dimension, name in CREW_UNITS[system].items():
        fits = {dimension, Dimension.TEMPERATURE} if dimension is Dimension.DIFFERENCE else {dimension}
        assert UNITS[name].dimension in fits
    for dimension in Dimension:
        number, name = shown(1.0, dimension, system)
        assert name in UNITS
        assert isinstance(number, float)


def test_shown() -> None:
    assert shown(71.11111111111111, Dimension.TEMPERATURE, "us") == (pytest.approx(160.0), "degF")
    assert shown(33.333333333333336, Dimension.DIFFERENCE, "us") == (pytest.approx(60.0), "degF")
    assert shown(33.0, Dimension.DIFFERENCE, "metric") == (33.0, "K")


@pytest.mark.parametrize(
    ("utc_ns", "text"),
    [
        (0, "1970-01-01T00:00:00.000Z"),
        (1_927_955_106_200_999_999, "2031-02-04T07:05:06.200Z"),
        (-1, "1969-12-31T23:59:59.999Z"),
    ],
)
def test_utc_text(utc_ns: int, text: str) -> None:
    assert utc_text(utc_ns) == text


@given(st.integers(-(2**62), 2**63 - 1))
def test_utc_text_is_numpy_s(utc_ns: int) -> None:
    assert utc_text(utc_ns) == f"{np.datetime64(utc_ns // 1_000_000, 'ms')}Z"


def test_one_is_no_plural() -> None:
    assert [counted(n, "stand") for n in (0, 1, 2, 1200)] == ["0 stands", "1 stand", "2 stands", "1,200 stands"]
    assert counted(1, "entry", "entries") == "1 entry"
    assert counted(2, "entry", "entries") == "2 entries"


ABOVE_ZERO = {
    "Flow": "L/s", "Length": "mm", "Pressure": "bar", "Speed": "m/s", "Rate": "K/s", "Volume": "m3", "Area": "m2",
    "HeatCapacity": "kJ/K", "Conductance": "W/K", "Power": "kW", "Torque": "N m", "Turn": "rpm", "Current": "A",
    "Mass": "kg", "Number": "%", "Density": "kg/m3",
}  # fmt: skip


@pytest.mark.parametrize("name", ABOVE_ZERO)
def test_what_a_rig_file_gives_of_a_machine_is_above_zero(name: str) -> None:
    kind, unit = TypeAdapter(getattr(quantity, name)), ABOVE_ZERO[name]
    assert kind.validate_python(f"0.5 {unit}") == pytest.approx(0.5 * UNITS[unit].factor)
    for text in (f"0 {unit}", f"-1 {unit}"):
        with pytest.raises(ValidationError) as caught:
            kind.validate_python(text)
        assert caught.value.errors()[0]["ctx"] == {"found": repr(text), "allowed": "above zero"}


def test_what_may_lie_below_zero_in_a_rig_file() -> None:
    assert TypeAdapter(quantity.Temperature).validate_python("-4 degF") == pytest.approx(-20.0)
    assert TypeAdapter(quantity.Depth).validate_python("-30 mm") == pytest.approx(-0.03)


@pytest.mark.parametrize(("text", "ns"), [
    ("0 s", 0), ("20 ms", 20_000_000), ("366 d", 366 * 86_400 * 10**9), ("366.001 d", None), ("-1 ms", None),
])  # fmt: skip
def test_no_duration_is_negative_or_longer_than_a_year(text: str, ns: int | None) -> None:
    kind = TypeAdapter(quantity.Nanoseconds)
    if ns is not None:
        assert kind.validate_python(text) == ns
        return
    with pytest.raises(ValidationError) as caught:
        kind.validate_python(text)
    assert caught.value.errors()[0]["ctx"] == {"found": repr(text), "allowed": "zero to 366 days"}
