"""A point's signal and stages: what they become, and every way to get them wrong."""

# ruff: noqa: E501 - the table reads best a row a line

import numpy as np
import pytest

import streams
from brakewater.errors import Fault, RigFileError
from brakewater.rig import Point, Rig, parse
from brakewater.rig.point_stages import per_second
from brakewater.signals.convert import Frequency, Pt100, Pulse, Root
from brakewater.units import Dimension, UnitError

DEMO = streams.demo().text.replace('tolerance-class = "A"\n', "")  # every point as the file says nothing of it
GPM = streams.GPM
PER_M3 = 1 / 3.785411784e-3
LOOP = 'signal = { kind = "current-loop", raw = [0, 27648], range = ["0 gal/min", "150 gal/min"] }'
RTD = 'address = 2\ntype = "uint16"\nsignal = { kind = "pt100", ohms-per-count = 0.01 }'


def flow_text(signal: str, type_: str = "uint16") -> str:
    return DEMO.replace(f'type = "int16"\n{LOOP}', f'type = "{type_}"\nsignal = {{ {signal} }}', 1)


def inlet_text(signal: str, keys: str = "") -> str:
    return DEMO.replace(RTD, f'address = 2\ntype = "uint16"\n{keys}\nsignal = {{ {signal} }}', 1)


def flow_of(signal: str, type_: str = "uint16") -> Point:
    return point(parse(flow_text(signal, type_)), "inlet-flow")


def inlet_of(signal: str, keys: str = "") -> Point:
    return point(parse(inlet_text(signal, keys)), "inlet-temperature")


def point(rig: Rig, role: str) -> Point:
    found = rig.role(role, "aux")
    assert found is not None
    return found


def the_fault(text: str) -> Fault:
    with pytest.raises(RigFileError) as caught:
        parse(text, "rig.toml")
    (fault,) = caught.value.faults
    return fault


def test_a_pulse_counter() -> None:
    made = flow_of('kind = "pulse", k-factor = "850 per US gal", full-scale = "150 gal/min"').signal
    assert isinstance(made, Pulse)
    assert made.pulses_per_m3 == pytest.approx(850 * PER_M3)
    assert made.most_per_s == pytest.approx(2 * 850 * 150 / 60)
    assert (made.rolls_at, made.window_ns, made.renewed_ns) == (65536, 2_000_000_000, 1_000_000_000)
    keys = 'kind = "pulse", k-factor = "2 pulses per L", full-scale = "500 L/min", rolls-at = 10000, window = "5 s", renewed = "0 s"'
    made = flow_of(keys, "int16").signal
    assert isinstance(made, Pulse)
    assert (made.rolls_at, made.window_ns, made.renewed_ns) == (10_000, 5_000_000_000, 0)
    assert made.pulses_per_m3 == pytest.approx(2000.0)


def test_a_frequency_and_a_root() -> None:
    made = flow_of('kind = "frequency", k-factor = "850 per US gal", hz-per-count = 0.1, least-hz = 20').signal
    assert made == Frequency(pulses_per_m3=850 * PER_M3, hz_per_count=0.1, least_hz=20.0)
    made = flow_of(
        'kind = "root", raw = [0, 27648], full-scale = "150 gal/min", cut = "2 %", loop = true', "int16"
    ).signal
    assert isinstance(made, Root)
    assert (made.raw_low, made.raw_high, made.cut, made.loop) == (0.0, 27648.0, 0.02, True)
    assert made.full_scale == pytest.approx(150 * GPM)


def test_leads_are_taken_off() -> None:
    """30 m of 18 AWG, 20.95 ohm/km: 0.6285 ohm a lead (from memory of the wire's table; computed)."""
    long = 'kind = "pt100", ohms-per-count = 0.01, leads = { wires = 2, length = "30 m", ohms-per-km = 20.95 }'
    made = inlet_of(long).signal
    assert isinstance(made, Pt100)
    assert made.ohms_offset == pytest.approx(-2 * 0.6285)
    assert inlet_of('kind = "pt100", ohms-per-count = 0.01, leads = { wires = 2, ohms = 1.2 }').signal == Pt100(
        ohms_per_count=0.01, ohms_offset=-1.2
    )
    assert inlet_of('kind = "pt100", ohms-per-count = 0.01, leads = { wires = 3 }').signal == Pt100(ohms_per_count=0.01)
    assert inlet_of('kind = "pt100", ohms-per-count = 0.01, leads = { wires = 4 }').signal == Pt100(ohms_per_count=0.01)
    assert inlet_of('kind = "pt1000", ohms-per-count = 0.1').signal == Pt100(ohms_per_count=0.1, r0=1000.0)


def test_what_a_point_has_where_the_file_says_nothing() -> None:
    inlet = inlet_of('kind = "pt100", ohms-per-count = 0.01')
    assert (inlet.every, inlet.most_age_ns) == (1, 550_000_000)  # two scans and the timeout
    assert inlet.conditioning.sensor_range == (-50.0, 250.0)
    assert inlet.accuracy is not None
    # class B of IEC 60751: 0.3 + 0.005 |t|
    assert inlet.accuracy.at(np.array([0.0, -50.0, 100.0])).tolist() == pytest.approx([0.3, 0.55, 0.8])
    level = point(streams.demo(), "brake-level")
    assert level.accuracy is not None
    assert level.accuracy.at(np.array([0.5])).tolist() == pytest.approx([0.01])
    stages = level.conditioning
    assert (stages.sensor_range, stages.jump, stages.standstill, stages.trim, stages.damping) == (None,) * 5
    assert point(streams.demo(), "in-service").accuracy is None
    assert [p.most_age_ns for p in streams.demo().points if p.device == "self"] == [None] * 8


def test_every_stage() -> None:
    keys = 'every = 2\nmost-age = "3 s"\nsensor-range = ["0 degF", "212 degF"]\njump-limit = "9 degF/s"\nfrozen-after = "10 min"\n'
    keys += 'trim = { gain = 1.02, offset = "-0.9 degF" }\ndamping = "2 s"\ntolerance-class = "AA"'
    inlet = inlet_of('kind = "pt100", ohms-per-count = 0.01', keys)
    stages = inlet.conditioning
    assert (inlet.every, inlet.most_age_ns) == (2, 3_000_000_000)
    assert stages.sensor_range == pytest.approx((-17.7777778, 100.0))
    assert stages.jump is not None
    assert stages.standstill is not None
    assert stages.trim is not None
    assert stages.damping is not None
    assert stages.jump.per_s == pytest.approx(5.0)
    assert stages.standstill.frozen_ns == 600_000_000_000
    assert (stages.trim.gain, stages.trim.offset) == (1.02, pytest.approx(-0.5))
    assert stages.damping.scans == 20
    assert inlet.accuracy is not None
    assert inlet.accuracy.at(np.array([100.0])).tolist() == pytest.approx([0.27])


RATES = {
    ("5 degF/s", Dimension.DIFFERENCE): 5 / 1.8,
    ("20 gal/min/s", Dimension.FLOW): 20 * GPM,
    ("0.001 m3/s/s", Dimension.FLOW): 0.001,
    ("60 mm/min", Dimension.LENGTH): 0.001,
    ("30 psi / s", Dimension.PRESSURE): 30 * 6894.757293168,
}


@pytest.mark.parametrize(("text", "dimension"), RATES)
def test_rates(text: str, dimension: Dimension) -> None:
    assert per_second(text, dimension) == pytest.approx(RATES[text, dimension])


@pytest.mark.parametrize("text", ["5", "5 degF", "5 degF/h", "5 mm/s", "/s", "0 degF/s", "-1 degF/s", "5 gal/min"])
def test_what_is_no_rate(text: str) -> None:
    with pytest.raises(UnitError, match="a second or minute"):
        per_second(text, Dimension.DIFFERENCE)


PULSE = 'kind = "pulse", k-factor = "850 per US gal", full-scale = "150 gal/min"'
FLOW = {
    # the signal: key below the point, part of found, part of allowed
    'kind = "pulse", full-scale = "150 gal/min"': ("signal.k-factor", "nothing", "850 per US gal"),
    'kind = "pulse", k-factor = 850, full-scale = "150 gal/min"': ("signal.k-factor", "850", "pulses per volume"),
    'kind = "pulse", k-factor = "850 per gal", full-scale = "150 gal/min"': ("signal.k-factor", "850 per gal", '"US gal" or "imp gal"'),
    'kind = "pulse", k-factor = "0 per L", full-scale = "150 gal/min"': ("signal.k-factor", "0", "calibration sheet"),
    'kind = "pulse", k-factor = "850 per US gal"': ("signal.full-scale", "nothing", "gal/min"),
    'kind = "pulse", k-factor = "850 per US gal", full-scale = "0 gal/min"': ("signal.full-scale", "0 gal/min", "above zero"),
    PULSE + ", rolls-at = 3": ("signal.rolls-at", "3", "10 to 65536"),
    PULSE + ", rolls-at = 100000": ("signal.rolls-at", "100000", "all uint16 holds"),
    PULSE + ', window = "2 m"': ("signal.window", "2 m", "ms"),
    PULSE + ', window = "1 ms"': ("signal.window", "1 ms", "100 ms to 10 min; 2 s is usual"),
    PULSE + ", K = 3": ("signal.K", "unknown key", "k-factor"),
    'kind = "frequency", k-factor = "850 per US gal", least-hz = "2"': ("signal.least-hz", "'2'", "Hz, without a unit"),
    'kind = "frequency", k-factor = "850 per US gal", hz-per-count = 0': ("signal.hz-per-count", "0", "above 0"),
    'kind = "root", raw = [0, 27648]': ("signal.full-scale", "nothing", "gal/min"),
    'kind = "root", raw = [5, 5], full-scale = "150 gal/min"': ("signal.raw", "at both ends", "both ends"),
    'kind = "root", raw = [0, 27648], full-scale = "150 gal/min", cut = "40 %"': ("signal.cut", "0.4", "0.25"),
    'kind = "root", raw = [0, 27648], full-scale = "150 gal/min", loop = 1': ("signal.loop", "1", "true"),
    'kind = "rooot"': ("signal.kind", "rooot", "frequency, root"),
}  # fmt: skip


@pytest.mark.parametrize("signal", FLOW)
def test_flow_signals_gone_wrong(signal: str) -> None:
    key, found, allowed = FLOW[signal]
    fault = the_fault(flow_text(signal))
    assert fault.key == f"brake[0].point[0].{key}"
    assert found in fault.found
    assert allowed in fault.allowed


def test_a_counter_of_a_type_without_a_natural_roll_over() -> None:
    fault = the_fault(flow_text(PULSE, "int32"))
    assert (fault.key, fault.found) == ("brake[0].point[0].signal.rolls-at", "nothing")


PT = 'kind = "pt100", ohms-per-count = 0.01'
INLET = {
    # the signal, more keys: key below the point, part of found, part of allowed
    (PT + ", leads = 2", ""): ("signal.leads", "2", "wires = 2"),
    (PT + ", leads = { wires = 2 }", ""): ("signal.leads", "ohms nothing", "ohms = 1.2"),
    (PT + ", leads = { wires = 5 }", ""): ("signal.leads", "wires 5", "2, 3 or 4"),
    (PT + ", leads = { wires = 4, ohms = 1 }", ""): ("signal.leads", "ohms 1", "0.0 to 0.0"),
    (PT + ', leads = { wires = 3, length = "30 m", ohms-per-km = 20 }', ""): ("signal.leads", "a length with wires = 3", "wires = 2"),
    (PT + ', leads = { wires = 2, length = "30 m" }', ""): ("signal.leads", "ohms-per-km nothing", "20.95"),
    (PT + ', leads = { wires = 2, length = "30 gal", ohms-per-km = 20 }', ""): ("signal.leads", "30 gal", "m, cm"),
    (PT + ', leads = { wires = 2, length = "30 km" }', ""): ("signal.leads", "ohms-per-km", "20.95"),
    (PT + ", lead-ohms = 1, leads = { wires = 3 }", ""): ("signal.lead-ohms", "beside leads", "one of them"),
    ('kind = "pulse", k-factor = "1 per L", full-scale = "1 L/s"', ""): ("signal.kind", "pulse", "gives degC"),
    (PT, "every = 0"): ("every", "0", "1"),
    (PT, 'most-age = "100 ms"'): ("most-age", "0.1 s", "at least 0.2 s"),
    (PT, 'sensor-range = ["100 degC", "0 degC"]'): ("sensor-range", "100 degC", "the lower end first"),
    (PT, 'sensor-range = ["0 mm", "9 mm"]'): ("sensor-range", "0 mm", "degC"),
    (PT, 'jump-limit = "5 degF"'): ("jump-limit", "5 degF", '"2 degF/s"'),
    (PT, 'frozen-after = "400 ms"'): ("frozen-after", "0.4 s", "at least 1 s"),
    (PT, "trim = { gain = 2 }"): ("trim.gain", "2.0", "0.8 to 1.25; a larger correction is no trim"),
    (PT, 'trim = { offset = "3 mm" }'): ("trim.offset", "3 mm", "degF"),
    (PT, "trim = { gian = 1 }"): ("trim.gian", "unknown key", "gain, offset"),
    (PT, 'damping = "0 s"'): ("damping", "0 s", "above zero"),
    (PT, 'damping = "2 min"'): ("damping", "120 s", "up to 60 s"),
    (PT, 'tolerance-class = "D"'): ("tolerance-class", "D", "'AA', 'A', 'B' or 'C'"),
    (PT, 'accuracy = "1 K"\ntolerance-class = "A"'): ("accuracy", "beside", "one of them"),
    (PT, 'accuracy = "0 K"'): ("accuracy", "0 K", "above zero"),
    ('kind = "direct", unit = "degC"', 'tolerance-class = "A"'): ("tolerance-class", "another signal", "accuracy"),
}  # fmt: skip


@pytest.mark.parametrize("given", INLET)
def test_points_gone_wrong(given: tuple[str, str]) -> None:
    key, found, allowed = INLET[given]
    fault = the_fault(inlet_text(*given))
    assert fault.key == f"brake[0].point[1].{key}"
    assert found in fault.found
    assert allowed in fault.allowed


@pytest.mark.parametrize("key", ['jump-limit = "1 m/s"', 'damping = "1 s"', "trim = {}", 'accuracy = "1"'])
def test_a_contact_has_no_stages(key: str) -> None:
    text = DEMO.replace('type = "bit 0"', f'type = "bit 0"\n{key}')
    fault = the_fault(text)
    assert (fault.key, fault.found) == (f"brake[0].point[4].{key.split(' ', maxsplit=1)[0]}", "it on a contact")


def test_a_counter_may_stand_still() -> None:
    text = flow_text(PULSE).replace('name = "aux-flow"', 'name = "aux-flow"\nfrozen-after = "1 min"')
    assert "a counter stands still" in the_fault(text).allowed


SLOW = {
    ("aux-flow", 6): "inlet-flow told only every 1.2 s",
    ("aux-in-service", 6): "in-service told only every 1.2 s",
    ("aux-level", 3): "on-delay 0.4 s, on values up to 0.4 s late by cadence and damping, for aux.brake-level-high",
}


@pytest.mark.parametrize(("name", "every"), SLOW)
def test_what_must_be_told_in_time_is_not_read_too_seldom(name: str, every: int) -> None:
    text = DEMO.replace(f'name = "{name}"', f'name = "{name}"\nevery = {every}')
    assert SLOW[name, every] in the_fault(text).found
    parse(text.replace(f"every = {every}", f"every = {every - 1}"))


def test_where_no_on_delay_is_short_enough_none_is_proposed() -> None:
    """Every five scans, as a slow serial line is read: 0.8 s late, of 0.75 s that there are."""
    fault = the_fault(DEMO.replace('name = "aux-level"', 'name = "aux-level"\nevery = 5', 1))
    assert "both together at most 0.75 s: a quarter of the time to the limit" in fault.allowed
    assert fault.allowed.endswith("no on-delay is short enough: a smaller every, less damping or another line")
    assert "give another" not in fault.hint
    mendable = the_fault(DEMO.replace('name = "aux-level"', 'name = "aux-level"\nevery = 4', 1))
    assert "no on-delay" not in mendable.allowed


def test_what_must_be_told_in_time_is_not_damped_too_much() -> None:
    """A mean over a minute would hide that the flow is gone."""
    with pytest.raises(RigFileError) as caught:
        parse(DEMO.replace('name = "aux-flow"', 'name = "aux-flow"\ndamping = "30 s"'), "rig.toml")
    assert any(fault.found.startswith("inlet-flow told only every") for fault in caught.value.faults)
    parse(DEMO.replace('name = "aux-flow"', 'name = "aux-flow"\ndamping = "300 ms"'))


REDUNDANT = '[[brake.redundant]]\nrole = "{}"\nrule = "{}"\n{}\n'
SPARE = '[[brake.point]]\nname = "spare-{n}"\nrole = "inlet-temperature"\ndevice = "plc1"\ntable = "holding"\naddress = {n}\nsignal = {{ kind = "pt100", ohms-per-count = 0.01 }}\n'


def doubled(entry: str, spares: int = 1) -> str:
    first = DEMO.index("[[brake.point]]")
    more = "".join(SPARE.format(n=n) for n in range(spares))
    return DEMO[:first] + entry + DEMO[first:].replace("[[lamp]]", more + "[[lamp]]", 1)


def test_redundant_points_are_resolved() -> None:
    rig = parse(doubled(REDUNDANT.format("inlet-temperature", "mean", 'apart = "2 degF"\nhold = "5 s"')))
    (one,) = rig.redundant
    assert [p.name for p in one.points] == ["aux-inlet", "spare-0"]
    assert (one.brake, one.role, one.rule, one.hold_ns) == ("aux", "inlet-temperature", "mean", 5_000_000_000)
    assert one.apart == pytest.approx(1.1111, abs=1e-4)


def test_redundant_points_are_those_of_one_brake() -> None:
    """A thermometer of another brake is none of this one's, though it has the same role."""
    entry, other = REDUNDANT.format("inlet-temperature", "mean", ""), streams.two_brakes()
    spare = SPARE.format(n=60)
    second = other.index("[[brake]]", other.index("[[brake]]") + 1)
    rig = parse(f"{other[:second]}{entry}{spare}{other[second:]}")
    (one,) = rig.redundant
    assert (one.brake, [p.name for p in one.points]) == ("one", ["one-inlet", "spare-60"])


REDUNDANCY = {
    (REDUNDANT.format("inlet-temperature", "mean", ""), 0): ("redundant[0].role", "1 points", "2 or 3 for 'mean'"),
    (REDUNDANT.format("inlet-temperature", "mean", ""), 3): ("redundant[0].rule", "4 points", "2 or 3"),
    (REDUNDANT.format("inlet-temperature", "two-of-three", ""), 1): ("redundant[0].rule", "2 points", "3 for"),
    (REDUNDANT.format("in-service", "mean", ""), 0): ("redundant[0].role", "in-service", "and"),
    (REDUNDANT.format("inlet-temperature", "median", ""), 1): ("redundant[0].rule", "median", "'two-of-three'"),
    (REDUNDANT.format("inlet-temperature", "mean", 'apart = "-1 K"'), 1): ("redundant[0].apart", "-1 K", "above zero"),
    (REDUNDANT.format("inlet-temperature", "mean", "") * 2, 1): ("redundant[1].role", "a second entry", "one entry"),
    ("", 1): ("point[5].role", "a second 'inlet-temperature'", "once"),
}


@pytest.mark.parametrize("given", REDUNDANCY)
def test_redundancy_gone_wrong(given: tuple[str, int]) -> None:
    key, found, allowed = REDUNDANCY[given]
    with pytest.raises(RigFileError) as caught:
        parse(doubled(*given))
    (fault,) = [one for one in caught.value.faults if "redundant" in one.key or not given[0]]
    assert fault.key == f"brake[0].{key}"
    assert found in fault.found
    assert allowed in fault.allowed
    assert given[0] or "[[brake.redundant]]" in fault.hint
