"""Redundant points and cross-checks: what is made of several sensors, and who is doubted when they contradict."""

from itertools import product
from typing import Any

import numpy as np
import pytest

import streams
from brakewater.engine import Engine
from brakewater.engine.cross_check import CrossChecks
from brakewater.engine.vote import Vote
from brakewater.quality import Reason
from brakewater.rig import Redundant, Rig
from brakewater.stream import Column, Outcome

GPM = streams.GPM
SPARE = """
[[brake.redundant]]
role = "{role}"
rule = "{rule}"
hold = "{hold}"
[[brake.point]]
name = "b"
role = "{role}"
device = "plc1"
table = "holding"
address = 0
signal = {{ kind = "pt100", ohms-per-count = 0.01 }}
"""
THIRD = SPARE[SPARE.index("[[brake.point]]") :].replace('"b"', '"c"').replace("address = 0", "address = 1")
RETURN = """
[[brake.point]]
name = "back"
role = "return-flow"
device = "plc1"
table = "holding"
address = 0
type = "int16"
signal = { kind = "current-loop", raw = [0, 27648], range = ["0 gal/min", "150 gal/min"] }
"""
DEMO = streams.parse(streams.demo().text.replace('tolerance-class = "A"\n', ""))  # class B, as where nothing is said


def rig_with(more: str, **said: str) -> Rig:
    """The demo rig with more tables of its brake."""
    return streams.parse(DEMO.text.replace("[[lamp]]", f"{more.format(**said) if said else more}\n[[lamp]]", 1))


def doubled(rule: str, hold: str = "2 s", role: str = "outlet-temperature") -> Rig:
    return rig_with(SPARE + (THIRD if rule == "two-of-three" else ""), role=role, rule=rule, hold=hold)


def watch(rig: Rig, n: int, **what: Any) -> tuple[Engine, Outcome]:
    engine = Engine()
    engine.feed(streams.start(rig))
    return engine, engine.feed(streams.scans(rig, n, **what))


def last(outcome: Outcome, point: str) -> int:
    return int(outcome.readings[point].codes[-1])


# ---------------------------------------------------------------------- votes


def vote_of(rule: str, role: str = "outlet-temperature") -> Vote:
    (redundant,) = doubled(rule, "0 s", role).redundant
    return Vote(redundant)


LOW_ALARMS = "inlet-flow", "return-flow", "supply-pressure", "coil-current", "coil-voltage"
"""What harms the brake by being too little."""


def naive(rule: str, role: str, seen: list[tuple[float, int]], apart: float) -> tuple[float, int, list[int]]:
    """One scan, said in words: the value, its code, and the code of each point afterwards."""
    far = {
        frozenset((i, j)): seen[i][1] == seen[j][1] == 0 and abs(seen[i][0] - seen[j][0]) > apart
        for i in range(len(seen))
        for j in range(i)
    }
    codes = []
    for i, (_, code) in enumerate(seen):
        others = [j for j in range(len(seen)) if j != i and seen[j][1] == 0]
        accused = code == 0 and others and all(far[frozenset((i, j))] for j in others)
        codes.append(41 if accused else code)
    rank = min((code > 0) + (code >= 64) for code in codes)
    best = [i for i, code in enumerate(codes) if (code > 0) + (code >= 64) == rank]
    values, worst = [seen[i][0] for i in best], max(codes[i] for i in best)
    if rule == "first-good":
        return (0.0 if rank == 2 else values[0]), codes[best[0]], codes
    if rank == 2:
        return 0.0, worst, codes
    if rule == "two-of-three" and len(best) == 3:
        return sorted(values)[1], worst, codes
    if rule == "two-of-three" and worst == 41:
        return (min(values) if role in LOW_ALARMS else max(values)), worst, codes
    return sum(values) / len(values), worst, codes


@pytest.mark.parametrize("rule", ["first-good", "mean", "two-of-three"])
@pytest.mark.parametrize("role", [*LOW_ALARMS, "outlet-temperature", "brake-level"])
def test_every_combination_against_the_rule_in_words(rule: str, role: str) -> None:
    (redundant,) = doubled(rule, "0 s").redundant
    kept = {key: getattr(redundant, key) for key in ("brake", "rule", "points", "hold_ns")}
    vote = Vote(Redundant(**kept, role=role, apart=2.0))
    k = len(redundant.points)
    rows = list(
        product([(40.0, 0), (41.0, 0), (43.0, 0), (50.0, 0), (43.0, 20), (44.0, 20), (0.0, 92), (0.0, 110)], repeat=k)
    )
    names = [point.name for point in redundant.points]
    columns = {
        name: Column(
            values=np.array([row[at][0] for row in rows]), codes=np.array([row[at][1] for row in rows], np.uint8)
        )
        for at, name in enumerate(names)
    }
    made, changed = vote.feed(np.arange(len(rows), dtype=np.int64), columns)
    for at, row in enumerate(rows):
        value, code, codes = naive(rule, role, list(row), 2.0)
        assert made.values[at] == value, row
        assert made.codes[at] == code, row
        assert [int((changed.get(name) or columns[name]).codes[at]) for name in names] == codes, row


def test_the_first_that_is_good_is_used() -> None:
    rig = doubled("first-good")
    hot = {"b": 80.0}
    engine, _ = watch(rig, 30, values=hot, raw={"aux-outlet": 60000.0})
    assert {a.alarm for a in engine.alarms() if a.state != "normal"} == {
        "outlet-temperature-high",
        "outlet-rise-high",
        "cooling-margin-low",
        "signal-bad:aux-outlet",
    }
    engine, _ = watch(rig, 5, values=hot)
    assert engine.picture().derived["aux", "outlet_rise_k"][0] == pytest.approx(23.0, abs=0.1)


def test_the_mean_is_what_is_derived_from() -> None:
    engine, outcome = watch(doubled("mean"), 3, values={"b": 50.6})
    assert engine.picture().derived["aux", "outlet_rise_k"] == (pytest.approx(23.3, abs=0.05), 0)
    assert (last(outcome, "aux-outlet"), last(outcome, "b")) == (0, 0)


def test_apart_by_more_than_both_classes() -> None:
    """Class B at 50 degC is 0.55 K (IEC 60751), so two may lie 1.1 K apart."""
    rig = doubled("mean")
    _, outcome = watch(rig, 30, values={"b": 51.0})
    assert (last(outcome, "aux-outlet"), last(outcome, "b")) == (0, 0)
    engine, outcome = watch(rig, 40, values={"b": 51.3})
    assert outcome.readings["b"].codes.tolist() == [0] * 10 + [Reason.DEVIATION] * 30
    assert last(outcome, "aux-outlet") == Reason.DEVIATION
    assert engine.picture().derived["aux", "heat_w"][1] == Reason.DEVIATION
    assert {a.alarm for a in engine.alarms() if a.state != "normal"} == {
        "signal-doubtful:aux-outlet",
        "signal-doubtful:b",
    }


def test_of_three_the_one_that_is_alone_is_doubted() -> None:
    engine, outcome = watch(doubled("two-of-three"), 30, values={"aux-outlet": 50.0, "b": 50.4, "c": 60.0})
    assert [last(outcome, name) for name in ("aux-outlet", "b", "c")] == [0, 0, Reason.DEVIATION]
    assert engine.picture().derived["aux", "outlet_rise_k"] == (pytest.approx(23.2, abs=0.05), 0)


def test_a_transient_is_no_deviation() -> None:
    _, outcome = watch(doubled("mean"), 30, values={"b": [50.0] * 10 + [60.0] * 9 + [50.0] * 11})
    assert set(outcome.readings["b"].codes.tolist()) == {0}


def test_a_vote_that_nobody_wins_takes_the_side_that_alarms() -> None:
    made, _ = vote_of("two-of-three").feed(
        np.zeros(1, np.int64),
        {
            "aux-outlet": Column(values=np.array([50.0]), codes=np.zeros(1, np.uint8)),
            "b": Column(values=np.array([70.0]), codes=np.zeros(1, np.uint8)),
            "c": Column(values=np.zeros(1), codes=np.array([92], np.uint8)),
        },
    )
    assert (made.values[0], made.codes[0]) == (70.0, Reason.DEVIATION)


def test_garbage_that_overflows_is_no_number() -> None:
    big = {name: Column(values=np.array([1.7e308]), codes=np.array([20], np.uint8)) for name in ("aux-outlet", "b")}
    made, _ = vote_of("mean").feed(np.zeros(1, np.int64), big)
    assert (made.values[0], made.codes[0]) == (0.0, Reason.NOT_A_NUMBER)


def test_a_deviation_goes_on_over_a_restart() -> None:
    rig = doubled("mean", "4 s")
    engine, _ = watch(rig, 15, values={"b": 60.0})
    again = Engine()
    again.feed(streams.start(rig, run=2, t_ns=3 * 10**9, snapshot=engine.state()))
    found = again.feed(streams.scans(rig, 10, run=2, t0=16 * rig.scan_ns, values={"b": 60.0})).readings["b"].codes
    assert found.tolist() == [0] * 5 + [Reason.DEVIATION] * 5


@pytest.mark.parametrize(("apart", "goes_on"), [("9 K", True), ("8 K", False)])
def test_a_deviation_under_other_settings_begins_anew(apart: str, *, goes_on: bool) -> None:
    """What the file said before of how far they may lie apart tells nothing of what it says now."""
    kept, rig = (
        streams.parse(
            streams.changed(doubled("mean", "4 s").text, ('rule = "mean"', f'rule = "mean"\napart = "{one}"'))
        )
        for one in ("9 K", apart)
    )
    engine, _ = watch(kept, 15, values={"b": 60.0})
    again = Engine()
    again.feed(streams.start(rig, run=2, t_ns=3 * 10**9, snapshot=engine.state()))
    found = again.feed(streams.scans(rig, 30, run=2, t0=16 * rig.scan_ns, values={"b": 60.0})).readings["b"].codes
    assert found.tolist().index(Reason.DEVIATION) == (5 if goes_on else 20)


# --------------------------------------------------------------- cross-checks


COLD = {"aux-inlet": 40.0, "aux-outlet": 36.0}
"""Class B: 0.5 K and 0.48 K, so more than 0.98 K apart; for 30 s."""


def test_an_outlet_colder_than_the_inlet_under_load() -> None:
    rig = streams.parse(DEMO.text.replace('inlet-limit = "100 degF"', 'inlet-limit = "110 degF"'))
    engine, outcome = watch(rig, 190, values=COLD)
    for name in ("aux-inlet", "aux-outlet"):
        assert outcome.readings[name].codes.tolist() == [0] * 150 + [Reason.CROSS_CHECK] * 40
    assert engine.picture().derived["aux", "heat_w"][1] == Reason.CROSS_CHECK
    assert {a.alarm for a in engine.alarms() if a.state != "normal"} == {
        "signal-doubtful:aux-inlet",
        "signal-doubtful:aux-outlet",
    }


@pytest.mark.parametrize(
    "what",
    [
        {"values": {**COLD, "aux-outlet": 39.1}},
        {"values": {**COLD, "aux-flow": 70 * GPM}},
        {"values": {**COLD, "aux-in-service": 0.0}},
        {"values": COLD, "status": {"aux-in-service": 0x82}},
        {"values": COLD, "raw": {"aux-flow": -500.0}},
        {"values": {**COLD, "aux-outlet": [36.0] * 149 + [40.0] + [36.0] * 50}},
    ],
)
def test_no_contradiction_within_uncertainty_without_load_or_for_a_while(what: dict[str, Any]) -> None:
    _, outcome = watch(DEMO, 200, **what)
    assert Reason.CROSS_CHECK not in outcome.readings["aux-outlet"].codes


@pytest.mark.parametrize(("outlet", "doubted"), [(39.1, False), (38.9, True)])
def test_what_grows_with_what_is_read_counts_scan_by_scan_as_well(outlet: float, *, doubted: bool) -> None:
    """Class B at 40 degC is 0.5 K, of which 0.2 K by its reading."""
    engine, codes = Engine(), []
    engine.feed(streams.start(DEMO))
    for block in streams.cut([streams.scans(DEMO, 160, values={**COLD, "aux-outlet": outlet})], [1]):
        codes += engine.feed(block).readings["aux-outlet"].codes.tolist()
    assert (Reason.CROSS_CHECK in codes) is doubted


@pytest.mark.parametrize(("accuracy", "doubted"), [("6 gal/min", False), ("1 gal/min", True)])
def test_of_several_sensors_the_first_says_what_they_may_be_off_by(accuracy: str, *, doubted: bool) -> None:
    """As it does of their spread: what is made of several is no worse."""
    first = RETURN.replace("signal", f'accuracy = "{accuracy}"\nsignal')
    second = RETURN.replace('"back"', '"back-2"').replace("address = 0", "address = 1")
    several = '[[brake.redundant]]\nrole = "return-flow"\nrule = "mean"\n'
    rig = rig_with(several + first + second.replace("signal", 'accuracy = "3 gal/min"\nsignal'))
    _, outcome = watch(rig, 90, values={"aux-flow": 85 * GPM, "back": 91 * GPM, "back-2": 91 * GPM})
    assert (Reason.CROSS_CHECK in outcome.readings["back"].codes) is doubted


def test_a_substituted_sensor_accuses_nobody() -> None:
    engine = Engine()
    begin = streams.start(DEMO)
    engine.feed(begin)
    args = {"point": "aux-inlet", "value": "40 degC", "minutes": 10, "reason": "x"}
    engine.feed(streams.command(begin, "substitute", actor="tech", **args))
    outcome = engine.feed(streams.scans(DEMO, 200, first=2, values=COLD))
    assert set(outcome.readings["aux-outlet"].codes.tolist()) == {0}


def test_more_comes_back_than_goes_in() -> None:
    """Both meters are off by 1 % of 150 gal/min at most, so by more than 3 gal/min; for 10 s."""
    rig = rig_with(RETURN)
    engine, outcome = watch(rig, 90, values={"back": 93.5 * GPM})
    assert outcome.readings["back"].codes.tolist() == [0] * 50 + [Reason.CROSS_CHECK] * 40
    assert last(outcome, "aux-flow") == 0  # it is no less than it shows, whichever meter is wrong
    assert {a.alarm for a in engine.alarms() if a.state != "normal"} == {"signal-doubtful:back"}
    _, outcome = watch(rig, 90, values={"back": 92.5 * GPM})
    assert last(outcome, "back") == 0


def test_a_brake_that_empties_into_its_return_accuses_nobody() -> None:
    """A fading inflow: what the brake held comes back on top, and its level falls below its usual."""
    falls = np.concatenate((np.full(60, 0.3), np.maximum(0.3 - 0.002 * np.arange(140), 0.15)))
    into = np.concatenate((np.full(60, 93.0), np.full(140, 80.0))) * GPM
    values = {"aux-flow": into, "back": 90 * GPM, "aux-level": falls}
    engine, outcome = watch(rig_with(RETURN), 200, values=values)
    assert last(outcome, "back") == 0
    assert not [
        one.alarm for one in engine.alarms() if one.alarm.startswith("signal-doubtful") and one.state != "normal"
    ]


@pytest.mark.parametrize(("falls_mm", "code"), [(3, Reason.CROSS_CHECK), (10, 0)])
def test_a_level_that_only_sloshes_below_its_usual_excuses_no_return(falls_mm: int, code: int) -> None:
    falls = np.where(np.arange(200) < 60, 0.3, 0.3 - falls_mm / 1e3)
    back = np.where(np.arange(200) < 60, 90.0, 97.0) * GPM
    _, outcome = watch(rig_with(RETURN), 200, values={"back": back, "aux-level": falls})
    assert last(outcome, "back") == code


def test_a_contact_that_is_only_believed_to_be_on_accuses_no_thermometer() -> None:
    """Only signals that are good are held against each other."""
    for code, accused in ((Reason.GOOD, True), (Reason.SUBSTITUTED, False)):
        told = {"inlet-flow": 90 * GPM, "inlet-temperature": 40.0, "outlet-temperature": 30.0, "in-service": 1.0}
        columns = {
            role: Column(values=np.full(200, value), codes=np.zeros(200, np.uint8)) for role, value in told.items()
        }
        columns["in-service"] = Column(values=np.ones(200), codes=np.full(200, code, np.uint8))
        for role in ("level_rise_m", "level_rate_m_s", "brake-level", "pump-running"):
            columns[role] = Column(values=np.ones(200), codes=np.full(200, Reason.UNKNOWN, np.uint8))
        suspects = CrossChecks(DEMO, DEMO.brakes[0]).feed(np.arange(200) * DEMO.scan_ns, columns)
        assert ("outlet-temperature" in suspects) is accused


def rising(n: int, mm_s: float) -> dict[str, Any]:
    level = 0.1 + 0.001 * mm_s * np.arange(n) * DEMO.scan_ns / 1e9
    return {"aux-level": level, "aux-flow": 0.0, "pump-running": 0.0}


def test_a_level_that_rises_with_no_flow_and_the_pump_stopped() -> None:
    _, outcome = watch(DEMO, 200, values=rising(200, 4.0))
    for name in ("aux-level", "aux-flow"):
        assert last(outcome, name) == Reason.CROSS_CHECK


@pytest.mark.parametrize(
    "more",
    [
        {"pump-running": 1.0},
        {"aux-flow": 10 * GPM},
        {"aux-level": 0.5 - 0.0008 * np.arange(200)},
        {"aux-level": 0.3},
        {"aux-level": 0.1 + 0.0002 * np.arange(200)},  # 1 mm/s: waves may do that
    ],
)
def test_a_level_may_rise_with_the_pump_or_fall_without_it(more: dict[str, Any]) -> None:
    _, outcome = watch(DEMO, 200, values={**rising(200, 4.0), **more})
    assert last(outcome, "aux-level") == 0


def test_a_pump_that_nobody_knows_of_is_not_taken_for_stopped() -> None:
    _, outcome = watch(DEMO, 200, values=rising(200, 4.0), status={"pump-running": 0x82})
    assert last(outcome, "aux-level") == 0


def test_a_doubted_flow_does_not_take_back_a_lost_flow() -> None:
    engine, _ = watch(DEMO, 200, values=rising(200, 4.0))
    state = {a.alarm: a.state for a in engine.alarms()}
    assert state["cooling-lost"] == "unacknowledged"


STUCK = {"pump-running": 0.0, "back": 0.0}
"""The pump stops, nothing comes back any more, and the inlet meter goes on to show what it did."""


@pytest.mark.parametrize(
    ("version", "values", "code", "lost"),
    [
        ("0", STUCK, Reason.CROSS_CHECK, True),
        ("0.3.0", STUCK, Reason.GOOD, False),
        ("0", {**STUCK, "back": 85 * GPM}, Reason.GOOD, False),  # water runs, so the contact is wrong
        ("0", {**STUCK, "pump-running": 1.0}, Reason.GOOD, False),  # the return meter may be the wrong one
        ("0", {**STUCK, "aux-level": 0.3 + 0.003 * np.arange(150) / 5}, Reason.GOOD, False),  # it fills
    ],
)
def test_a_meter_that_shows_water_which_nobody_pumps_and_nothing_gives_back_is_doubted(
    version: str,
    values: dict[str, Any],
    code: int,
    lost: bool,  # noqa: FBT001 - the table's column
) -> None:
    rig = rig_with(RETURN)
    engine = Engine()
    engine.feed(streams.start(rig, version=version))
    engine.feed(streams.scans(rig, 60, values={"back": 85 * GPM}))
    found = engine.feed(streams.scans(rig, 150, first=61, values=values))
    assert last(found, "aux-flow") == code
    assert ("cooling-lost" in {event.alarm for event in found.events}) == lost


FULL = streams.load(streams.CONFIG / "rig-4-full.toml")
DENIED = {"aux-in-service": 0.0}
WORKS = {**DENIED, "aux-current": 40.0, "aux-drum": 10.0}
MINUTE = 300
"""Scans."""


def service(
    version: str, *parts: tuple[int, dict[str, float]], rig: Rig = FULL, piece: int = 1
) -> tuple[list[int], Engine]:
    """Code of the in-service contact at the end of each part, played whole and cut into pieces alike."""
    blocks, first = [], 1
    for n, values in parts:
        blocks.append(streams.scans(rig, n, first=first, values=values))
        first += n
    apart = streams.play([streams.start(rig, version=version), *streams.cut(blocks, [piece])])
    engine = Engine()
    engine.feed(streams.start(rig, version=version))
    codes = [last(engine.feed(block), "aux-in-service") for block in blocks]
    assert engine.state() == apart.state
    return codes, engine


def test_a_brake_that_works_though_its_contact_denies_it_is_watched() -> None:
    """A wire that is off reads as out of service: twenty minutes later nothing would have been watched."""
    stand = [(MINUTE // 2, WORKS), (MINUTE, DENIED)]
    codes, engine = service("0", *stand, *stand)
    assert codes == [Reason.CROSS_CHECK] * 4
    lost = engine.feed(streams.scans(FULL, 10, first=901, values={**DENIED, "aux-flow": 0.0}))
    assert "cooling-lost" in {event.alarm for event in lost.events}
    doubted = [event for event in engine.alarms() if event.alarm == "signal-doubtful:aux-in-service"]
    assert [one.state for one in doubted] == ["unacknowledged"]  # and has not come and gone with the stands


def test_a_contact_is_believed_again_when_it_says_so_or_the_brake_has_long_not_worked() -> None:
    codes, _ = service("0", (100, WORKS), (10, {**WORKS, "aux-in-service": 1.0}), (100, DENIED))
    assert codes == [Reason.CROSS_CHECK, Reason.GOOD, Reason.GOOD]
    codes, engine = service("0", (100, WORKS), (21 * MINUTE, DENIED))
    assert codes == [Reason.CROSS_CHECK, Reason.GOOD]
    restarted = Engine()
    restarted.feed(streams.start(FULL, run=2, snapshot=engine.state()))
    assert restarted.state() == engine.state()


@pytest.mark.parametrize(
    ("version", "values"),
    [
        ("0.2.0", WORKS),
        (
            "0",
            {**WORKS, "aux-current": 2.0},
        ),  # a drum that turns with the coils off: the brake is uncoupled, or drilling
        ("0", {**WORKS, "aux-drum": 0.1}),  # coils under test
    ],
)
def test_a_contact_that_may_be_right_is_believed(version: str, values: dict[str, float]) -> None:
    codes, _ = service(version, (200, values))
    assert codes == [Reason.GOOD]


def stands(n: int, warms: float = 4.5, **more: float) -> list[tuple[int, dict[str, float]]]:
    """So many stands of two minutes, each ``warms`` K at the outlet and cooled again; the contact denies them."""
    denied = {**DENIED, "aux-inlet": 30.0, **{name.replace("_", "-"): value for name, value in more.items()}}
    return [(MINUTE, {**denied, "aux-outlet": 31.0 + rise}) for rise in (0.0, warms)] * n


def test_on_a_rig_without_coil_current_the_third_stand_tells_that_the_contact_is_wrong() -> None:
    codes, engine = service("0", *stands(4), (MINUTE, stands(1)[0][1]), rig=DEMO)
    assert codes == [Reason.GOOD] * 5 + [Reason.CROSS_CHECK] * 4
    restarted = Engine()
    restarted.feed(streams.start(DEMO, run=2, snapshot=engine.state()))
    assert restarted.state() == engine.state()
    lost = engine.feed(streams.scans(DEMO, 10, first=9 * MINUTE + 1, values={**DENIED, "aux-flow": 0.0}))
    assert "cooling-lost" in {event.alarm for event in lost.events}


def test_with_a_failed_coil_current_the_water_tells_of_the_contact_all_the_same() -> None:
    failed = [(n, {**values, "aux-current": -5.0, "aux-drum": 10.0}) for n, values in stands(4)]
    codes, _ = service("0", *failed, rig=FULL, piece=97)
    assert codes == [Reason.GOOD] * 5 + [Reason.CROSS_CHECK] * 3


def test_it_is_believed_again_when_it_says_so_or_no_stand_has_warmed_the_outlet_for_long() -> None:
    cold = stands(1)[0][1]
    codes, _ = service("0", *stands(3), (10, {**cold, "aux-in-service": 1.0}), *stands(2), rig=DEMO)
    assert codes[5:] == [Reason.CROSS_CHECK, *[Reason.GOOD] * 5]
    codes, _ = service("0", *stands(3), (18 * MINUTE, cold), (2 * MINUTE, cold), rig=DEMO, piece=97)
    assert codes[5:] == [Reason.CROSS_CHECK, Reason.CROSS_CHECK, Reason.GOOD]


@pytest.mark.parametrize(
    ("version", "parts"),
    [
        ("0.3.0", stands(6)),
        ("0", stands(6, warms=2.5)),  # what a brake that drags, or a sensor, may do
        ("0", [(8 * MINUTE, values) for _, values in stands(1, warms=20.0)]),  # off, and never moving
        ("0", stands(6, aux_flow=60 * GPM)),  # less than the least flow
        (
            "0",
            [part for _ in range(6) for part in [*stands(1), (50, stands(1, aux_flow=0.0)[0][1])]],
        ),  # slugs of a start
        (  # an inlet that swings by itself
            "0",
            [(MINUTE, {**DENIED, "aux-inlet": inlet, "aux-outlet": 34.0}) for inlet in (33.0, 29.5) * 6],
        ),
    ],
)
def test_an_outlet_that_may_warm_by_itself_leaves_the_contact_believed(
    version: str, parts: list[tuple[int, dict[str, float]]]
) -> None:
    codes, _ = service(version, *parts, rig=DEMO, piece=97)
    assert set(codes) == {Reason.GOOD}
