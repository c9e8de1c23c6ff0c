"""The simulator's encoder: against published values, and against the daemon's decoder, with which it shares no code."""

import ast
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import brakewater_sim
from brakewater.quality import Reason
from brakewater.rig import Point, Rig, Table, load
from brakewater.rig.load import demo_file
from brakewater.rig.roles import ROLES
from brakewater.signals.convert import (
    AnySignal,
    Bit,
    CurrentLoop,
    Direct,
    Frequency,
    Linear,
    Pt100,
    Pulse,
    Register,
    Root,
    Signal,
    convert,
)
from brakewater.signals.meter import PulseMeter
from brakewater.signals.words import RegisterKind
from brakewater_sim.registers import STEADY, Wiring, value_of
from brakewater_sim.scenarios import SCENARIOS
from brakewater_sim.simulate import UNITS, Simulation, Tick
from brakewater_sim.words import ratio, registers, words

NUMBERS = [kind for kind in RegisterKind if kind is not RegisterKind.BIT]
INTEGERS = [kind for kind in NUMBERS if "int" in kind.value]
LOOP = CurrentLoop(raw_low=0.0, raw_high=27648.0, low=0.0, high=9.46352946e-3)
RTD = Pt100(ohms_per_count=0.01)


def point(signal: AnySignal, kind: RegisterKind = RegisterKind.INT16) -> Point:
    return Point(
        name="p",
        role="inlet-flow",
        brake="aux",
        device="plc1",
        table=Table.INPUT,
        address=0,
        register=Register(kind=kind),
        signal=signal,
    )


def decoded(given: Point, found: tuple[int, ...]) -> tuple[float, int]:
    """What the daemon makes of it."""
    values, codes = convert(given.register, given.signal, np.array([found], np.uint16), np.zeros(1, np.uint8))
    return float(values[0]), int(codes[0])


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load(demo_file())


@pytest.fixture(scope="module")
def tick() -> Tick:
    return Simulation(SCENARIOS["demo"]).advance_to(0)


ORDERS = {"ABCD": (True, True), "CDAB": (False, True), "BADC": (True, False), "DCBA": (False, False)}


def ordered(kind: RegisterKind, order: str) -> Register:
    words_high, bytes_high = ORDERS[order]
    return Register(kind=kind, words_high_first=words_high, bytes_high_first=bytes_high)


# Source: constants of libmodbus' unit-test.h (public repository), 123456.0 in the four orders.
@pytest.mark.parametrize(
    ("order", "expected"),
    [("ABCD", (0x47F1, 0x2000)), ("CDAB", (0x2000, 0x47F1)), ("BADC", (0xF147, 0x0020)), ("DCBA", (0x0020, 0xF147))],
)
def test_orders_of_libmodbus(order: str, expected: tuple[int, int]) -> None:
    assert registers(ordered(RegisterKind.FLOAT32, order), 123456.0) == expected


# Source: table of IEC 60751 as quoted by public references (the same rows as test_rtd_published.py).
@pytest.mark.parametrize(
    ("degc", "ohms"),
    [(-200.0, 18.52), (-100.0, 60.26), (0.0, 100.0), (25.0, 109.73), (100.0, 138.51), (200.0, 175.86), (850.0, 390.48)],
)
def test_platinum_table(degc: float, ohms: float) -> None:
    assert 100.0 * ratio(degc) == pytest.approx(ohms, abs=0.005)
    assert words(point(RTD, RegisterKind.UINT16), degc) == (round(ohms * 100),)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("kind", NUMBERS)
@pytest.mark.parametrize("value", [0.0, 1.0, -3.0, 31_000.0, -30_000.0])
def test_every_type_and_order_comes_back_through_the_daemon(kind: RegisterKind, order: str, value: float) -> None:
    given = replace(point(Direct()), register=ordered(kind, order))
    expected = max(value, 0.0) if kind.value.startswith("u") else value
    assert decoded(given, words(given, value)) == (expected, Reason.GOOD)


@pytest.mark.parametrize("kind", INTEGERS)
def test_whole_types_stop_at_their_ends_and_never_wrap(kind: RegisterKind) -> None:
    given = point(Direct(), kind)
    unsigned, bits = kind.value.startswith("u"), int(kind.value.removeprefix("u").removeprefix("int"))
    low, high = (0, 2**bits - 1) if unsigned else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    assert decoded(given, words(given, -1e12))[0] == low
    assert decoded(given, words(given, 1e12))[0] == high
    small = point(Direct(scale=1e-6), kind)
    assert decoded(small, words(small, -4e-7))[0] == 0.0
    assert decoded(small, words(small, -6e-7))[0] == (0.0 if unsigned else -1e-6)


def test_float32_holds_what_is_too_large_at_its_end() -> None:
    given = point(Direct(), RegisterKind.FLOAT32)
    assert decoded(given, words(given, 1e300)) == (pytest.approx(3.4028235e38), Reason.GOOD)


def test_scaled_values_round_to_the_nearest_count() -> None:
    line = point(Linear(raw_low=-400.0, raw_high=1400.0, low=-40.0, high=60.0))
    for value in (-40.0, -7.3, 0.0, 24.0, 59.99):
        assert decoded(line, words(line, value)) == (pytest.approx(value, abs=0.5 * 100 / 1800 + 1e-9), Reason.GOOD)
    direct = point(Direct(scale=5 / 9, offset=-160 / 9), RegisterKind.FLOAT32)
    assert decoded(direct, words(direct, 38.0)) == (pytest.approx(38.0, abs=1e-5), Reason.GOOD)


# Source: NAMUR NE 43 as quoted by public instrument references: a measurement is shown from 3.8 to 20.5 mA.
@pytest.mark.parametrize(
    ("part", "ma"), [(0.0, 4.0), (0.5, 12.0), (1.0, 20.0), (-0.01, 3.84), (-1.0, 3.8), (1.02, 20.32), (9.0, 20.5)]
)
def test_a_loop_measures_within_namur_limits(part: float, ma: float) -> None:
    given = point(LOOP)
    found = words(given, part * LOOP.high)
    count = found[0] - (1 << 16 if found[0] & 0x8000 else 0)
    assert count == round((ma - 4.0) / 16.0 * 27648)
    assert decoded(given, found)[1] in (Reason.GOOD, Reason.UNDER_RANGE, Reason.OVER_RANGE)


@pytest.mark.parametrize(
    ("signal", "kind", "opened", "shorted"),
    [
        (LOOP, RegisterKind.INT16, Reason.LOOP_HIGH, Reason.LOOP_LOW),
        (LOOP, RegisterKind.FLOAT32, Reason.LOOP_HIGH, Reason.LOOP_LOW),
        (LOOP, RegisterKind.UINT16, Reason.LOOP_HIGH, Reason.LOOP_HIGH),  # has no counts below 4 mA
        (RTD, RegisterKind.UINT16, Reason.SENSOR_OPEN, Reason.SENSOR_SHORT),  # 65535 counts are 655 ohm
        (RTD, RegisterKind.INT16, Reason.SENSOR_SHORT, Reason.SENSOR_SHORT),  # 32767 counts are a good 327 ohm
        (Pt100(ohms_offset=-1.5), RegisterKind.FLOAT32, Reason.SENSOR_OPEN, Reason.SENSOR_SHORT),
        (Pt100(ohms_per_count=0.1, r0=1000.0), RegisterKind.UINT16, Reason.SENSOR_OPEN, Reason.SENSOR_SHORT),
        (Direct(), RegisterKind.FLOAT32, Reason.NOT_A_NUMBER, Reason.NOT_A_NUMBER),
        (Linear(raw_low=0.0, raw_high=1.0, low=0.0, high=1.0), RegisterKind.FLOAT64, *[Reason.NOT_A_NUMBER] * 2),
    ],
)
def test_the_daemon_sees_a_broken_sensor(signal: Signal, kind: RegisterKind, opened: Reason, shorted: Reason) -> None:
    given = point(signal, kind)
    assert decoded(given, words(given, 20.0, "open-circuit"))[1] == opened
    assert decoded(given, words(given, 20.0, "short-circuit"))[1] == shorted


def test_a_broken_number_goes_to_the_end_of_its_type() -> None:
    assert words(point(Direct(), RegisterKind.INT16), 5.0, "open-circuit") == (0x7FFF,)
    assert words(point(Direct(), RegisterKind.INT16), 5.0, "short-circuit") == (0x8000,)


def test_open_rtd_of_the_demo_rig_is_the_converters_end_stop(rig: Rig) -> None:
    inlet = rig.role("inlet-temperature", "aux")
    assert inlet is not None
    assert words(inlet, 30.0, "open-circuit") == (65535,)


@pytest.mark.parametrize(
    ("signal", "value", "held"),
    [(Bit(), 1.0, 8), (Bit(), 0.0, 0), (Bit(inverted=True), 1.0, 0), (Bit(inverted=True), 0.0, 8)],
)
def test_bits(signal: Bit, value: float, held: int) -> None:
    base = point(signal, RegisterKind.BIT)
    in_register = replace(base, register=Register(kind=RegisterKind.BIT, bit=3))
    assert words(in_register, value) == (held,)
    assert words(base, value) == (held // 8,)
    assert decoded(in_register, words(in_register, value)) == (value, Reason.GOOD)


@pytest.mark.parametrize("bit", [0, 3, 7, 8, 15])
@pytest.mark.parametrize("high_first", [True, False])
def test_a_bit_lies_where_the_devices_byte_order_puts_it(bit: int, high_first: bool) -> None:  # noqa: FBT001
    place = Register(kind=RegisterKind.BIT, bit=bit, bytes_high_first=high_first)
    given = replace(point(Bit(), RegisterKind.BIT), register=place)
    assert words(given, 1.0) == (1 << (bit if high_first else (bit + 8) % 16),)
    assert decoded(given, words(given, 1.0)) == (1.0, Reason.GOOD)
    assert decoded(given, words(given, 0.0)) == (0.0, Reason.GOOD)


FLOWS = {
    "root": Root(raw_low=0.0, raw_high=27648.0, full_scale=9.46e-3),
    "root of a loop": Root(raw_low=6400.0, raw_high=32000.0, full_scale=9.46e-3, loop=True),
    "frequency": Frequency(pulses_per_m3=224_546.0, hz_per_count=0.1),
}


@pytest.mark.parametrize("kind", FLOWS)
@pytest.mark.parametrize("flow", [0.0, 1.5e-3, 4.7e-3, 9.0e-3])
def test_a_flow_meters_number_comes_back(kind: str, flow: float) -> None:
    made = point(FLOWS[kind])
    assert decoded(made, words(made, flow)) == (pytest.approx(flow, abs=2e-6), Reason.GOOD)


@pytest.mark.parametrize(("broken", "code"), [("open-circuit", Reason.LOOP_HIGH), ("short-circuit", Reason.LOOP_LOW)])
def test_a_broken_flow_loop_shows(broken: str, code: Reason) -> None:
    made = point(FLOWS["root of a loop"], RegisterKind.UINT16)
    assert decoded(made, words(made, 4e-3, broken))[1] == code


def test_a_pulse_counter_adds_up_what_flows_and_stands_still_when_broken(rig: Rig, tick: Tick) -> None:
    pulse = Pulse(pulses_per_m3=1e6, rolls_at=1 << 16, most_per_s=20_000.0, window_ns=1_000_000_000)
    meter = next(given for given in rig.points if given.role == "inlet-flow")
    counter = replace(meter, signal=pulse, register=Register(kind=RegisterKind.UINT16))
    wiring = Wiring(replace(rig, points=tuple(counter if given is meter else given for given in rig.points)))
    counts, flow = [], 4.73e-3
    for number in range(120):
        broken = {"inlet-flow": "open-circuit"} if number >= 100 else {}
        measured = {**tick.measured, "inlet-flow": flow}
        now = replace(tick, t_ns=number * 200_000_000, measured=measured, broken=broken)
        held = wiring.registers(now).read((counter.device, counter.table), counter.address, 1)
        assert held is not None
        counts.append(float(held[0]))
    assert min(np.diff(counts)) < 0  # it rolled over
    t = np.arange(120, dtype=np.int64) * 200_000_000
    values, codes = PulseMeter(pulse).feed(np.array(counts), np.zeros(120, np.uint8), t)
    assert set(codes[10:].tolist()) == {0}
    assert values[10:100] == pytest.approx(flow, rel=3e-4)
    assert values[-1] == 0.0


def test_a_tick_comes_back_through_the_daemon(rig: Rig, tick: Tick) -> None:
    found = Wiring(rig).registers(tick)
    close = {"m3/s": 2e-7, "degC": 0.03, "m": 2e-5, "N": 0.1, "bit": 0.0}
    for given in rig.points:
        held = found.read((given.device, given.table), given.address, given.count)
        assert held is not None
        value, code = decoded(given, tuple(held))
        assert code == Reason.GOOD
        if given.role in UNITS:
            assert value == pytest.approx(tick.measured[given.role], abs=close[UNITS[given.role]])
        else:
            assert value == (1.0 if given.name in ("self.broker", "self.panel") else 0.0)


def test_two_bits_share_a_register_and_gaps_read_nought(rig: Rig, tick: Tick) -> None:
    found = Wiring(rig).registers(tick)
    place = ("plc1", Table.INPUT)
    assert found.read(place, 4, 2) == [0b11, 0]
    assert found.read(place, 0, 12) is not None
    assert found.read(place, 0, 13) is None
    assert found.read(place, 12, 1) is None
    assert found.read(("plc1", Table.HOLDING), 0, 1) is None


def test_every_role_shows_something(tick: Tick) -> None:
    for role in ROLES:
        shown = value_of(replace(point(Direct()), role=role), tick)
        assert math.isfinite(shown)
    assert not STEADY.keys() & UNITS.keys()
    later = replace(tick, t_ns=3_200_000_000)
    assert value_of(replace(point(Direct()), role="heartbeat"), later) == 3.0


ALLOWED = {
    "brakewater": {"__version__"},
    "brakewater.errors": None,
    "brakewater.quality": {"Status"},
    "brakewater.record.journal": {"Journal"},
    "brakewater.record.rows": {"packed", "rows_of"},
    "brakewater.rig": None,
    "brakewater.rig.faults": {"Faults"},
    "brakewater.rig.tables": {"Model", "Name"},
    "brakewater.rig.quantity": None,
    "brakewater.rig.load": {"demo_file", "not_utf_8", "syntax"},
    "brakewater.signals.convert": {
        "AnySignal",
        "Bit",
        "CurrentLoop",
        "Direct",
        "Frequency",
        "Linear",
        "Pt100",
        "Pulse",
        "Register",
        "Root",
    },
    "brakewater.stream": {"Block", "Command", "Request", "Start"},
}
"""What the simulator may use of the daemon: records and the journal's writer, none of its laws."""


def test_shares_no_law_with_the_daemon() -> None:
    for file in sorted(Path(brakewater_sim.__file__).parent.glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Import):
                assert not [alias.name for alias in node.names if alias.name.startswith("brakewater.")], file
            if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "brakewater":
                allowed = ALLOWED[node.module or ""]
                assert allowed is None or {alias.name for alias in node.names} <= allowed, (file, node.module)
