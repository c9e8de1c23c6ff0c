"""Charts of a record: whatever one scan said shows at every zoom."""

import re
from math import isnan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import streams
from brakewater.engine import Engine
from brakewater.review.band_chart import band_chart
from brakewater.review.charts import Charted, Charts, Limit, Line
from brakewater.review.setpoints import Setpoint, Span, reached, setpoints_of
from brakewater.units import Dimension
from brakewater.wording import ENGLISH

SCAN_NS = 200_000_000


def charts(values: list[float]) -> Charts:
    times = np.arange(len(values), dtype=np.int64) * SCAN_NS
    line = Line(brake="aux", quantity="heat_w", dimension=Dimension.NUMBER, values=np.array(values, np.float64))
    return Charts(utc_ns=times, lines=(line,))


@pytest.mark.parametrize("count", [1, 3, 7, 100, 1000, 5000])
@pytest.mark.parametrize("at", [0, 1, 4999, 17_280, 35_999])
def test_a_spike_of_one_scan_is_seen_at_every_zoom(count: int, at: int) -> None:
    values = [1.0] * 36_000
    values[at] = 99.0
    seen = charts(values).stretches(0, len(values) * SCAN_NS, count)
    assert float(np.nanmax(seen.most["aux", "heat_w"])) == 99.0
    assert len(seen.utc_ns) <= count
    assert np.count_nonzero(seen.most["aux", "heat_w"] == 99.0) == 1


@given(
    st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=60),
    st.integers(1, 40),
    st.integers(0, 60),
)
def test_stretches_hold_exactly_the_least_and_most_of_their_scans(values: list[float], count: int, skip: int) -> None:
    one, begin, end = charts(values), skip * SCAN_NS, (len(values) + skip) * SCAN_NS
    seen = one.stretches(begin, end, count)
    width = -((begin - end) // count)
    expected: dict[int, list[float]] = {}
    for at, value in enumerate(values):
        if begin <= at * SCAN_NS < end:
            expected.setdefault((at * SCAN_NS - begin) // width, []).append(value)
    known = [[value for value in held if not isnan(value)] for held in expected.values()]
    if not known:
        assert not len(seen.utc_ns)
        return
    for held, least, most in zip(known, seen.least["aux", "heat_w"], seen.most["aux", "heat_w"], strict=True):
        assert (least, most) == ((min(held), max(held)) if held else (pytest.approx(np.nan, nan_ok=True),) * 2)


def test_wall_time_that_stepped_back_loses_nothing() -> None:
    one = charts([1.0, 2.0, 3.0, 4.0])
    stepped = Charts(utc_ns=one.utc_ns[[2, 3, 0, 1]], lines=one.lines)
    seen = stepped.stretches(0, 4 * SCAN_NS, 4)
    assert seen.most["aux", "heat_w"].tolist() == [3.0, 4.0, 1.0, 2.0]


def test_what_is_kept_in_si_is_told_in_whatever_units_are_asked_for() -> None:
    times = np.arange(3, dtype=np.int64) * SCAN_NS
    line = Line(
        brake="aux", quantity="inlet-flow", dimension=Dimension.FLOW, values=np.array([0.0, 1e-3, 2e-3], np.float32)
    )
    one = Charts(utc_ns=times, lines=(line,), units="metric")
    for system, unit, most in (
        (None, "L/min", 120.0),
        ("us", "gal/min", 120 / 3.785411784),
        ("metric", "L/min", 120.0),
    ):
        seen = one.stretches(0, 3 * SCAN_NS, 1, system)
        assert one.unit(line, system) == unit
        assert seen.least["aux", "inlet-flow"].tolist() == [0.0]
        assert seen.most["aux", "inlet-flow"].tolist() == pytest.approx([most])


def test_an_estimate_reaches_as_far_as_its_doubt_to_both_sides() -> None:
    rotor = Line(
        brake="aux",
        quantity="rotor_temperature_degc",
        dimension=Dimension.TEMPERATURE,
        values=np.array([40.0, 60.0], np.float32),
        band=np.array([10.0, 5.0], np.float32),
    )
    one = Charts(utc_ns=np.array([0, SCAN_NS]), lines=(rotor,), units="metric")
    seen, key = one.stretches(0, 2 * SCAN_NS, 1), ("aux", "rotor_temperature_degc")
    assert (seen.least[key].tolist(), seen.most[key].tolist()) == ([30.0], [65.0])


@pytest.mark.parametrize(
    ("low", "high", "lines"),
    [
        (84.5, 85.8, ["84.5", "85", "85.5"]),
        (-3.47, 353.0, ["0", "100", "200", "300"]),
        (0.6203, 1.004, ["0.7", "0.8", "0.9", "1"]),
        (77.0, 77.0, ["77"]),
    ],
)
def test_lines_of_a_drawn_chart_are_round(low: float, high: float, lines: list[str]) -> None:
    times = np.array([0, SCAN_NS])
    drawn = band_chart("Flow", times, np.array([low, low]), np.array([high, high]))
    assert re.findall(r'text-anchor="end">([^<:]+)</text>', drawn) == lines


def test_setpoints_are_kept_with_when_they_changed() -> None:
    """As they were in force: the rig file's, and from a command on what that made of it."""
    rig = streams.demo()
    engine, made = Engine(), Charted(0, 2**62)
    engine.feed(streams.start(rig))
    for number in (1, 2, 3):
        block = streams.scans(rig, 5, first=10 * number)
        made.feed(block, rig, engine.feed(block), engine.alarms())
        if number == 2:
            key = "aux.cooling-flow-low.setpoint"
            asked = streams.command(block, "set", actor="engineer", setting=key, value="80 gal/min", reason="worn pump")
            (answer,) = engine.feed(asked).answers
            assert answer.ok, answer.says
            changed_after = int(block.utc_ns[-1])
    found = {(one.alarm, one.quantity): one.steps for one in made.charts().limits}
    (_, was), (when, now) = found["cooling-flow-low", "inlet-flow"]
    assert (was, now) == (pytest.approx(75 * streams.GPM), pytest.approx(80 * streams.GPM))
    assert when > changed_after
    assert [value for _, value in found["rotor-hot-no-flow", "rotor_temperature_degc"]] == [
        pytest.approx(93.33, abs=0.01)
    ]
    assert not {alarm for alarm, _ in found if alarm.startswith(("signal", "device", "water-lost"))}


def test_a_setpoint_is_drawn_where_it_was_in_force_and_named_at_the_edge_where_it_is_far() -> None:
    times, flat = np.array([0, 100 * SCAN_NS]), np.array([80.0, 84.0])
    near = Setpoint(alarm="low", steps=((0, 78.0, "78 gal/min"), (50 * SCAN_NS, 82.0, "82 gal/min")))
    gone = Setpoint(alarm="gone", steps=((0, 81.0, "81 gal/min"), (10 * SCAN_NS, None, "")))
    far = Setpoint(alarm="<far>", steps=((0, 500.0, "500 gal/min"),))
    drawn = band_chart("Flow", times, flat, flat, setpoints=(near, gone, far))
    lines = [tuple(map(float, found)) for found in re.findall(r'd="M([\d.]+) ([\d.]+)H([\d.]+)"', drawn)]
    assert [(begin, end) for begin, _, end in lines] == [(60.0, 475.0), (475.0, 890.0), (60.0, 143.0)]
    assert lines[1][1] < lines[2][1] < lines[0][1], "the higher, the further up"
    assert "\u2191 &lt;far&gt; 500 gal/min" in drawn
    names = [(float(x), float(y)) for x, y in re.findall(r'<text x="([\d.]+)" y="([\d.]+)" font-size="11"', drawn)]
    assert len({y for _, y in names if y}) == len(names), "no name stands on another"
    assert band_chart("Flow", times, flat, flat) == band_chart("Flow", times, flat, flat, setpoints=())


def test_a_setpoint_was_in_force_from_step_to_step_within_a_window() -> None:
    one = Setpoint(alarm="low", steps=((10, 70.0, "70"), (30, None, ""), (40, 80.0, "80"), (40, 75.0, "75")))
    spans = [(span.since_ns, span.until_ns, span.value, span.says) for span in one.spans(0, 100)]
    assert spans == [(10, 30, 70.0, "low 70"), (40, 100, 75.0, "low 75")]
    assert [(span.since_ns, span.until_ns) for span in one.spans(20, 25)] == [(20, 25)]
    assert list(one.spans(30, 40)) == []
    assert one.doc() == {"alarm": "low", "steps": [[0, 70.0, "70"], [0, None, ""], [0, 80.0, "80"], [0, 75.0, "75"]]}
    later = Setpoint(alarm="low", steps=((1_927_938_245_123_456_789, 70.0, "70"),))
    assert later.doc()["steps"] == [[1_927_938_245_123, 70.0, "70"]]  # ms, as a page's script counts


def test_each_brakes_line_has_its_own_setpoints_in_the_units_that_are_asked_for() -> None:
    limits = tuple(
        Limit(brake=brake, alarm="cooling-flow-low", steps=((5, gpm * streams.GPM), (9, None)))
        for brake, gpm in (("one", 100.0), ("two", 50.0))
    )
    line = Line(brake="two", quantity="inlet-flow", dimension=Dimension.FLOW, values=np.array([1e-3]))
    found = Charts(utc_ns=np.array([0]), lines=(line,), units="us", limits=limits)
    for system, steps in (
        (None, ((5, 50.0, "50 gal/min"), (9, None, ""))), ("us", ((5, 50.0, "50 gal/min"), (9, None, ""))),
        ("metric", ((5, pytest.approx(189.270589), "~190 L/min"), (9, None, ""))),
    ):  # fmt: skip
        (one,) = setpoints_of(found, line, system, ENGLISH)
        assert (one.alarm, one.steps) == (ENGLISH.alarms["cooling-flow-low"], steps)


def test_a_still_picture_reaches_to_setpoints_that_are_near() -> None:
    """As near as what was measured is high; of a flat line a twentieth of it, at least one."""

    def at(value: float) -> Span:
        return Span(since_ns=0, until_ns=1, value=value, says="")

    assert reached([at(70.0), at(119.0), at(121.0), at(59.0)], 80.0, 100.0) == (70.0, 119.0)
    assert reached([], 80.0, 100.0) == (80.0, 100.0)
    assert reached([at(83.9), at(76.1), at(84.1)], 80.0, 80.0) == (76.1, 83.9)
    assert reached([at(3.0), at(3.1)], 2.0, 2.0) == (2.0, 3.0)
