"""What people and payloads see of codes and SI. Conversions are held against exact definitions in the tests of units;
here each number was worked out by hand from 1 US gal = 3.785411784 L.
"""

import json
import string
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from brakewater import render
from brakewater.alarms.catalogue import CATALOGUE, Shape
from brakewater.alarms.lifecycle import State
from brakewater.readiness import Obstacle
from brakewater.record.documents import event_doc
from brakewater.rig import SELF
from brakewater.rig.roles import ROLES
from brakewater.stream import ByHand, RoundNow
from brakewater.units import CREW_UNITS, Dimension, parse
from brakewater.units import shown as in_unit
from brakewater.wording import ENGLISH, LANGUAGES
from rig_parts import FLOW, LEAST, UTC, demo_rig, event, picture

RIG = demo_rig()
METRIC = demo_rig(**{'units = "us"': 'units = "metric"'})


def text(**changed: object) -> str:
    return str(render.event_shown(RIG, event_doc(event(**changed)))["text"])


def test_an_event_reads_as_one_plain_sentence_in_the_crews_units() -> None:
    doc = event_doc(event())
    shown = render.event_shown(RIG, doc)
    assert shown["text"] == "Cooling water low: 61.2 gal/min, set at 75 gal/min."
    assert shown["shown"] == {"value": 61.2, "setpoint": 75.0, "unit": "gal/min"}
    assert shown["respond"].startswith("Stop lowering and hold on the friction brake.")
    assert {key: shown[key] for key in doc} == doc


def test_the_same_event_for_a_metric_crew() -> None:
    shown = render.event_shown(METRIC, event_doc(event()))
    assert shown["text"] == "Cooling water low: 231.7 L/min, set at ~284 L/min."
    assert shown["value"] == FLOW


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"value": None, "reason": 110}, "Cooling water low: unknown (no answer), set at 75 gal/min."),
        ({"now": "normal"}, "Over: Cooling water low: 61.2 gal/min, set at 75 gal/min."),
        (
            {"now": "acknowledged", "actor": "driller"},
            "Cooling water low, acknowledged by driller: 61.2 gal/min, set at 75 gal/min.",
        ),
        (
            {"now": "returned-unacknowledged"},
            "Over, not yet acknowledged: Cooling water low: 61.2 gal/min, set at 75 gal/min.",
        ),
        (
            {"was": "normal", "now": "shelved", "why": "command", "actor": "tech"},
            "Cooling water low, shelved by tech.",
        ),
        (
            {"was": "shelved", "now": "shelved+out-of-service", "why": "command", "actor": "tech"},
            "Cooling water low, taken out of service by tech.",
        ),
        (
            {"was": "shelved+out-of-service", "now": "shelved", "why": "command", "actor": "tech"},
            "Cooling water low: no longer out of service. Cooling water low, shelved.",
        ),
        (
            {"was": "shelved+suppressed", "now": "shelved", "why": "design"},
            "Cooling water low: no longer suppressed by design. Cooling water low, shelved.",
        ),
        (
            {"was": "suppressed", "now": "shelved+suppressed", "why": "command", "actor": "tech"},
            "Cooling water low, shelved by tech.",
        ),
        (
            {"was": "shelved", "now": "normal", "why": "command", "actor": "tech"},
            "Cooling water low: no longer shelved. Cooling water low: no alarm.",
        ),
        ({"now": "normal", "why": "changed"}, "Cooling water low was closed because the rig file changed it."),
        (
            {"alarm": "signal-bad:aux-flow", "brake": None, "value": None, "setpoint": None, "reason": 92},
            "Signal aux-flow bad: sensor open.",
        ),
        *(
            (
                {
                    "alarm": f"signal-doubtful:{point}",
                    "brake": None,
                    "value": None,
                    "setpoint": None,
                    "reason": 40,
                },
                f"Signal {point} doubtful: {says}.",
            )
            for point, says in (
                ("aux-in-service", "it says out of service, and the brake works"),
                ("aux-inlet", "signals contradict each other"),
            )
        ),
        (
            {"alarm": "broker-lost", "brake": None, "value": 0.0, "setpoint": None},
            "No connection to the message broker.",
        ),
        (
            {"alarm": "brake-level-high", "value": 0.46, "setpoint": 0.45},
            "Water high in the brake: 18.1 in, set at ~17.7 in.",
        ),
        (
            {"alarm": "clock-stepped", "brake": None, "value": -7.2, "setpoint": 5.0},
            "Wall clock stepped: -7.2 s, set at 5 s.",
        ),
        (
            {"alarm": "inlet-limit-ahead", "value": 779.0, "setpoint": 900.0},
            "Inlet water will be too warm: in 12 min when it came, set at 15 min.",
        ),
        (  # years, after which its register ends
            {"alarm": "clock-stepped", "brake": None, "value": -2147483.648, "setpoint": 5.0},
            "Wall clock stepped: by 24 days or more, set at 5 s.",
        ),
        ({"alarm": "of-another-version", "value": None, "setpoint": None}, "of-another-version."),
    ],
)
def test_sentences(changed: dict[str, object], sentence: str) -> None:
    assert text(**changed) == sentence


def test_no_response_is_asked_for_once_the_condition_has_gone() -> None:
    for state in State:
        respond = render.event_shown(RIG, event_doc(event(now=state.value)))["respond"]
        assert (respond is not None) == (state in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED))


def test_every_sentence_can_be_said() -> None:
    for kind in CATALOGUE:
        for state in State:
            for actor in (None, "driller"):
                said = text(alarm=f"{kind}:x", now=state.value, actor=actor)
                assert said.endswith(".")
                assert "{" not in said


def test_the_wording_is_whole() -> None:
    assert ENGLISH.alarms.keys() == CATALOGUE.keys()
    allowed = {"what", "numbers", "actor"}
    for table in (ENGLISH.moves, ENGLISH.moves_by_actor, ENGLISH.stands):
        assert set(table) == set(State)
        for sentence in table.values():
            assert {name for _, name, _, _ in string.Formatter().parse(sentence) if name} <= allowed


def test_with_several_brakes_an_alarm_names_its_own() -> None:
    table = '\n[[brake]]\nname = "second"\nleast-flow = "75 gal/min"\nbearing-level = "600 mm"\n'
    point = """[[brake.point]]
name = "second-{0}"
role = "{0}"
device = "plc1"
table = "input"
address = {1}
type = "float32"
signal = {{ kind = "direct", unit = "{2}" }}
"""
    roles = (("inlet-flow", 20, "m3/s"), ("inlet-temperature", 22, "degC"), ("outlet-temperature", 24, "degC"))
    table += "".join(point.format(*one) for one in (*roles, ("brake-level", 26, "m")))
    rig = demo_rig(more=table)
    assert render.event_shown(rig, event_doc(event()))["text"].startswith("Cooling water low (aux): ")
    assert "second-inlet-flow" not in render.now(rig, picture(rig), "aux", 3.0)["readings"]


@pytest.mark.parametrize(
    ("seen", "line"),
    [((FLOW, 0), "61.2 gal/min"), ((FLOW, 30), "61.2 gal/min (substituted)"), ((0.0, 92), "-- (sensor open)")],
)
def test_a_value_never_stands_without_its_quality(seen: tuple[float, int], line: str) -> None:
    point = next(point for point in RIG.points if point.name == "aux-flow")
    assert render.reading_line(RIG, point, seen) == line


def test_contacts_and_pure_numbers() -> None:
    contact = next(point for point in RIG.points if point.name == "aux-in-service")
    assert render.reading_line(RIG, contact, (1.0, 0)) == "on"
    assert render.reading_line(RIG, contact, (0.0, 110)) == "-- (no answer)"
    assert render.derived_line(RIG, "cooling_margin", (0.4, 0)) == "0.40"
    assert render.derived_line(RIG, "outlet_rise_k", (-0.01, 0)) == "0.0 degF"


def test_a_derived_value_stands_with_its_expanded_uncertainty() -> None:
    assert render.std_name("heat_w") == "heat_std_w"
    assert render.std_name("cooling_margin") == "cooling_margin_std"
    assert render.std_name("rotor_temperature_degc") == "rotor_temperature_std_k"
    assert render.derived_line(RIG, "heat_w", (295e3, 0), (4.4e3, 0)) == "295 +/- 9 kW"
    assert render.derived_line(RIG, "cooling_margin", (0.68, 0), (0.01, 0)) == "0.68 +/- 0.02"
    assert (
        render.derived_line(RIG, "outlet_rise_k", (10.0, 40), (0.25, 40))
        == "18.0 +/- 0.9 degF (signals contradict each other)"
    )
    assert render.derived_line(RIG, "heat_w", (0.0, 64), (0.0, 64)) == "-- (no flow past the sensor)"
    # a temperature's is a difference: no offset
    assert render.derived_line(RIG, "rotor_temperature_degc", (100.0, 0), (5.0, 0)) == "212.0 +/- 18.0 degF"


def test_first_out_is_told_when_it_comes_and_not_of_what_happens_to_it_unseen() -> None:
    came = event_doc(event(first_out=True))
    assert render.came_first(came)
    assert not render.came_first({**came, "first_out": False})
    assert not render.came_first({**came, "from": "unacknowledged"})  # it sounds again
    assert not render.came_first({**came, "to": "acknowledged"})


def test_a_sentence_rounds_a_limit_to_its_safe_side_too() -> None:
    """100 degF are 37.78 degC: who reads 37.7 acts in time."""
    hot = {"alarm": "inlet-temperature-high", "value": 39.04, "setpoint": (100.0 - 32.0) / 1.8}
    shown = render.event_shown(METRIC, event_doc(event(**hot)))
    assert "39.0 degC, set at ~37.7 degC" in shown["text"]
    assert shown["shown"]["setpoint"] == 37.7


def test_a_normal_alarm_has_no_value_to_show() -> None:
    low = next(alarm for alarm in picture(RIG).alarms if alarm.alarm == "cooling-flow-low")
    assert (low.state, low.value) == ("normal", FLOW)
    doc = render.alarm_now(RIG, low)
    assert [doc[key] for key in ("value", "quality", "reason", "since")] == [None] * 4
    assert doc["shown"] == {"value": None, "setpoint": 75.0, "unit": "gal/min"}


@pytest.mark.parametrize(("value", "std"), [((3e5, 92), (5e3, 0)), ((3e5, 0), (5e3, 92))])
def test_where_either_is_bad_there_is_no_uncertainty_to_show(value: tuple[float, int], std: tuple[float, int]) -> None:
    assert render.expanded(RIG, "heat_w", value, std) is None


def test_what_the_watch_measures_of_itself_is_a_time_but_for_counts_shares_and_contacts() -> None:
    told = {point.name: render.dimension_of_point(point) for point in RIG.points if point.device == SELF}
    numbers = {
        "self.queued",
        "self.disk-used",
        "self.restarts",
        "self.broker",
        "self.lamp-writes",
        "self.panel",
        "self.mains",
    }
    assert {name for name, dimension in told.items() if dimension is Dimension.NUMBER} == numbers & set(told)
    assert {"self.broker", "self.queued", "self.restarts"} <= set(told)
    assert {dimension for name, dimension in told.items() if name not in numbers} == {Dimension.TIME}


def test_dimensions_of_derived_quantities_stand_in_their_names() -> None:
    named = {
        "outlet_rise_k": Dimension.DIFFERENCE,
        "heat_w": Dimension.POWER,
        "heat_std_w": Dimension.POWER,
        "level_rate_m_s": Dimension.SPEED,
        "flow_balance_m3_s": Dimension.FLOW,
        "time_to_bearing_s": Dimension.TIME,
        "rotor_temperature_degc": Dimension.TEMPERATURE,
        "cooling_margin": Dimension.NUMBER,
        "heat_share": Dimension.NUMBER,
    }
    assert {name: render.dimension_of_derived(name) for name in named} == named


def test_every_crew_unit_and_every_point_can_be_shown() -> None:
    assert {unit for table in CREW_UNITS.values() for unit in table.values()} == set(render.DECIMALS)
    for point in RIG.points:
        assert render.reading_line(RIG, point, (1.0, 0))
        assert point.device == "self" or render.dimension_of_point(point) is ROLES[point.role].dimension


def test_now_holds_readings_derived_and_why_a_value_is_missing() -> None:
    live = render.now(RIG, picture(RIG, number=7), "aux", 3.0)
    assert (live["t"], live["run"], live["input"], live["valid_s"]) == ("2031-02-03T04:05:06.200Z", 1, 7, 3.0)
    assert live["readings"]["aux-flow"] == {
        "value": FLOW,
        "quality": "good",
        "reason": "good",
        "shown": {"value": 61.2, "unit": "gal/min"},
    }
    assert live["readings"]["aux-outlet"] == {
        "value": None,
        "quality": "bad",
        "reason": "sensor-open",
        "shown": {"value": None, "unit": "degF"},
    }
    assert live["derived"]["heat_w"]["shown"] == {"value": 655.0, "unit": "kW"}
    assert live["derived"]["outlet_rise_k"]["value"] is None
    assert "hook-load" in live["readings"]
    assert not any(name.startswith("self.") for name in live["readings"])
    json.dumps(live, allow_nan=False)


def test_an_alarm_as_it_stands() -> None:
    standing = next(
        alarm
        for alarm in picture(RIG, {"aux.cooling-flow-low": "acknowledged"}).alarms
        if alarm.alarm == "cooling-flow-low"
    )
    assert render.alarm_now(RIG, standing) == {
        "rig": "rig-4",
        "brake": "aux",
        "alarm": "cooling-flow-low",
        "state": "acknowledged",
        "priority": "high",
        "since": "2031-02-03T04:05:06.200Z",
        "value": FLOW,
        "quality": "good",
        "reason": "good",
        "setpoint": pytest.approx(LEAST),
        "first_out": True,
        "active": False,
        "cause": None,
        "silenced": False,
        "chattering": False,
        "masks": [],
        "shown": {"value": 61.2, "setpoint": 75.0, "unit": "gal/min"},
        "text": "Cooling water low, acknowledged: 61.2 gal/min, set at 75 gal/min.",
        "respond": CATALOGUE["cooling-flow-low"].response,
        "test": None,
    }


def lit(states: dict[str, str]) -> dict[str, str]:
    shown = render.lamps(RIG, picture(RIG, states))
    return {name: one["aspect"] for name, one in shown.items() if one["aspect"] != "off"}


def test_exactly_one_lamp_is_lit_when_all_is_well() -> None:
    assert lit({}) == {"watching": "steady"}
    assert render.lamps(RIG, picture(RIG))["watching"]["colour"] == "white"
    assert render.horn_now(RIG, picture(RIG)) == {"sound": "off"}


def test_lamps_follow_their_alarms_by_kind_and_by_full_name() -> None:
    assert lit({"aux.cooling-lost": "unacknowledged"}) == {"watching": "steady", "cooling": "flash"}
    assert lit({"rig.signal-bad:aux-flow": "acknowledged"}) == {"watching": "steady", "signal": "steady"}
    both = {"aux.cooling-lost": "acknowledged", "aux.cooling-flow-low": "returned-unacknowledged"}
    assert lit(both)["cooling"] == "flash"
    assert render.horn_now(RIG, picture(RIG, both)) == {"sound": "alarm"}
    only = '\n[[lamp]]\nname = "flow-signal"\nalarms = ["signal-bad:aux-flow"]\ncolour = "blue"\n'
    rig = demo_rig(more=only)
    for subject, aspect in (("aux-flow", "flash"), ("aux-inlet", "off")):
        shown = render.lamps(rig, picture(rig, {f"rig.signal-bad:{subject}": "unacknowledged"}))
        assert shown["flow-signal"] == {"aspect": aspect, "colour": "blue"}


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("outlet_rise_k", "outlet rise"),
        ("heat_std_w", "heat, standard uncertainty"),
        ("time_to_bearing_early_s", "time to bearing, not before"),
    ],
)
def test_a_derived_quantity_in_words(name: str, says: str) -> None:
    assert render.spoken(name) == says


@pytest.mark.parametrize(("value", "text"), [(90.0, "90.0 s"), (86_399.0, "86399.0 s"), (86_400.0, "more than a day")])
def test_a_forecast_is_capped_at_a_day_and_says_so(value: float, text: str) -> None:
    assert render.value_line(value, 0, Dimension.TIME, "us") == text


@example(0.99999, Dimension.PRESSURE, "metric")
@given(
    st.floats(1e-5, 1e3),
    st.sampled_from(
        [Dimension.FLOW, Dimension.TEMPERATURE, Dimension.DIFFERENCE, Dimension.LENGTH, Dimension.PRESSURE]
    ),
    st.sampled_from(sorted(CREW_UNITS)),
)
def test_a_limit_of_another_unit_is_short_and_never_on_the_unsafe_side(
    value: float, dimension: Dimension, system: str
) -> None:
    exact = in_unit(value, dimension, system)[0]
    for shape, sign in ((Shape.HIGH, -1), (Shape.LOW, 1), (Shape.LOST, 1)):
        limit = render.limit_shown(value, dimension, system, shape)
        if limit.converted:
            assert sign * (limit.value - exact) >= -1e-9 * abs(exact)
            assert abs(limit.value - exact) <= 10.0**-limit.places * (1 + 1e-9)
            assert not limit.places or len(f"{abs(limit.value):.{limit.places}f}".lstrip("0.").replace(".", "")) <= 3
        else:
            assert limit.value == pytest.approx(exact, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "dimension", "system", "shape", "said"),
    [
        ("75 gal/min", Dimension.FLOW, "us", Shape.LOW, "75 gal/min"),
        ("75 gal/min", Dimension.FLOW, "metric", Shape.LOW, "~284 L/min"),
        ("100 degF", Dimension.TEMPERATURE, "metric", Shape.HIGH, "~37.7 degC"),
        ("100 degF", Dimension.TEMPERATURE, "us", Shape.HIGH, "100 degF"),
        ("38 degC", Dimension.TEMPERATURE, "us", Shape.HIGH, "100.4 degF"),
        ("10 mm", Dimension.LENGTH, "us", Shape.HIGH, "~0.39 in"),
        ("10 mm", Dimension.LENGTH, "metric", Shape.HIGH, "10 mm"),
        ("0.45 m", Dimension.LENGTH, "us", Shape.HIGH, "~17.7 in"),
        ("62.25 gal/min", Dimension.FLOW, "us", Shape.LOW, "62.25 gal/min"),
        ("0 degC", Dimension.TEMPERATURE, "metric", Shape.LOW, "0 degC"),
        ("300 L/min", Dimension.FLOW, "metric", Shape.LOW, "300 L/min"),
        ("0.05 in/s", Dimension.SPEED, "metric", Shape.HIGH, "1.27 mm/s"),
        ("0.1 mm/s", Dimension.SPEED, "us", Shape.HIGH, "~0.003 in/s"),
        ("0.1", Dimension.NUMBER, "us", Shape.LOW, "0.1"),
    ],
)
def test_limits_as_a_crew_reads_them(text: str, dimension: Dimension, system: str, shape: Shape, said: str) -> None:
    assert render.limit_with_unit(parse(text, dimension), dimension, system, shape) == said


@pytest.mark.parametrize(
    ("code", "share", "says"),
    [
        ("en", 0.9999993, "Round grease is due: 100 % of its interval is used up."),
        ("en", 1.237, "Round grease is due: 124 % of its interval is used up."),
        ("es", 1.0, ": se ha gastado el 100 % de su intervalo."),
    ],
)
def test_a_due_round_says_how_much_of_its_interval_is_used_up(code: str, share: float, says: str) -> None:
    """Its limit, a hair below the whole, is no number for people."""
    due = event(alarm="round-due:grease", brake=None, value=share, setpoint=0.999999)
    assert render.event_shown(RIG, event_doc(due), LANGUAGES[code])["text"].endswith(says)
    assert render.limit_with_unit(0.999999, Dimension.NUMBER, "us", Shape.HIGH) == "1"
    assert render.limit_with_unit(0.3337, Dimension.NUMBER, "us", Shape.LOW) == "0.3337"


def test_what_is_borrowed_or_only_a_part_says_so_beside_its_value() -> None:
    """Beside "not ready" nobody may take ready cooling for a ready rig, nor the inlet for the tank."""
    derived = {("aux", "tank_temperature_degc"): (25.0, 0), ("aux", "cooling_ready"): (1.0, 0)}
    seen = replace(picture(RIG), derived=derived)
    without = replace(RIG, points=tuple(one for one in RIG.points if one.role != "tank-temperature"))
    tank = replace(RIG.points[0], name="tank", role="tank-temperature", brake=None)
    with_one = replace(RIG, points=(*without.points, tank))
    says = "77.0 degF (the inlet's: the tank has no sensor)"
    assert render.derived_now(without, seen, "aux", "tank_temperature_degc") == says
    assert render.derived_now(with_one, seen, "aux", "tank_temperature_degc") == "77.0 degF"
    only = "on (flow, inlet and level alone; for a trip: brakewater ready)"
    assert render.derived_now(RIG, seen, "aux", "cooling_ready") == only


def due(share: float, **more: object) -> Mapping[str, Any]:
    fields = {"by": "hours", "running_s": 27_000.0, "trips": 2, "due_utc_ns": None, "done_utc_ns": None, **more}
    return render.round_now(RoundNow(round="grease", brake="aux", share=share, since_utc_ns=UTC, **fields))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("share", "state"), [(0.99, "ok"), (1.0, "due"), (1.2, "due"), (1.25, "overdue"), (2.0, "overdue")]
)
def test_a_round_is_due_at_its_interval_and_overdue_a_quarter_later(share: float, state: str) -> None:
    assert due(share)["state"] == state


def test_a_round_says_what_is_used_up_by_what_and_since_when() -> None:
    assert due(0.31)["text"] == "ok: 31 % of its hours used up; never logged; 7.5 h run and 2 trips since"
    done = due(1.5, by="days", done_utc_ns=UTC, trips=1)["text"]
    assert done == "OVERDUE: 150 % of its days used up; done 2031-02-03T04:05; 7.5 h run and 1 trip since"


def test_what_stands_in_the_way_is_held_against_a_limit_that_is_never_rounded_to_the_unsafe_side() -> None:
    """75 gal/min are 283.9 L/min, 100 degF 37.78 degC, by exact definitions."""
    low = Obstacle(what="flow", name="aux-flow", why="low", value=FLOW, limit=LEAST)
    hot = Obstacle(what="inlet", name="aux-inlet", why="high", value=39.04, limit=(100.0 - 32.0) / 1.8)
    assert render.obstacle_now(RIG, low)["text"] == "aux-flow low, 61.2 gal/min against 75 gal/min"
    assert render.obstacle_now(METRIC, low)["text"] == "aux-flow low, 231.7 L/min against ~284 L/min"
    assert render.obstacle_now(METRIC, hot)["text"] == "aux-inlet high, 39.0 degC against ~37.7 degC"
    level = Obstacle(what="level", name="aux-level", why="high", value=0.4572, limit=0.381)  # 18 and 15 in
    assert render.obstacle_now(RIG, level)["text"] == "aux-level high, 18.0 in against 15 in"


def test_a_clock_that_stepped_further_than_is_counted_stands_in_the_way_by_no_number() -> None:
    for value in (2147483.6, -2147483.6):  # seconds: 2**31 ms, where the count ends
        far = Obstacle(what="alarm", name="rig.clock-stepped", why="unacknowledged", value=value, limit=5.0)
        says = "rig.clock-stepped unacknowledged: Wall clock stepped, by 24 days or more against 5 s"
        assert render.obstacle_now(RIG, far)["text"] == says
    near = Obstacle(what="alarm", name="rig.clock-stepped", why="unacknowledged", value=3600.0, limit=5.0)
    assert "3600.0 s against 5 s" in render.obstacle_now(RIG, near)["text"]


def test_a_point_held_by_hand_shows_what_stands_in_for_it_in_the_crews_unit() -> None:
    held = ByHand(
        point="aux-inlet", what="substituted", value=30.0, actor="tech", reason="RTD changed", since_utc_ns=UTC,
        until_utc_ns=UTC + 60 * 10**9,
    )  # fmt: skip
    shown = render.by_hand_now(RIG, held)
    assert (shown["value"], shown["shown"]) == (30.0, {"value": 86.0, "unit": "degF"})
    assert (shown["since"], shown["until"]) == ("2031-02-03T04:05:06.200Z", "2031-02-03T04:06:06.200Z")
    checked = render.by_hand_now(RIG, replace(held, what="function-check", value=None))
    assert (checked["value"], checked["shown"]) == (None, None)
