"""Which brake is weakening, and why: causes are told apart, and what cannot be told is said so."""

import json
from dataclasses import replace

import numpy as np
import pytest

from brakewater.review.contact import Contact, contact
from brakewater.review.outlet_model import OutletModel, Series
from brakewater.review.samples import Samples
from brakewater.review.sentence import of_document
from brakewater.review.why import Told, condition, delay_of
from brakewater.rig import load
from brakewater.wording import LANGUAGES
from streams import CONFIG
from told_parts import MONTH_S, NOMINAL, torque, trips

BRAKE = load(CONFIG / "rig-4-full.toml").brakes[0]


def causes(told: list[Told]) -> tuple[str, list[str]]:
    found = condition(told, NOMINAL, 15.0)
    return found.state, [one.cause for one in found.findings]


def test_a_sound_brake_is_as_new() -> None:
    scattered = trips({"torque": torque(1.03)}, {"torque": torque(0.98, 1.04)}, {"torque": torque(0.97)})
    assert causes(scattered) == ("sound", [])


@pytest.mark.parametrize(("gap_m", "index", "cause"), [
    (1.25 * NOMINAL, 0.64, "gap"), (NOMINAL, 0.64, "coils"), (None, 0.64, "gap-or-coils"),
    (1.1 * NOMINAL, 0.4, "gap-or-coils"), (1.02 * NOMINAL, 0.85, "gap-or-coils"),
])  # fmt: skip
def test_the_measured_gap_tells_gap_from_coils(gap_m: float | None, index: float, cause: str) -> None:
    told = trips({"gap_m": None if gap_m is None else NOMINAL}, {"torque": torque(index), "gap_m": gap_m})
    assert causes(told)[1] == [cause]
    assert causes(told)[0] == "weakening"
    (finding,) = condition(told, NOMINAL, 15.0).findings
    assert finding.certain == (cause != "gap-or-coils")


def test_a_fall_is_held_against_the_gap_of_its_first_trip_and_a_weakness_from_the_start_against_the_nominal() -> None:
    wide = 1.3 * NOMINAL
    fell = trips({"torque": torque(0.8), "gap_m": wide}, {"torque": torque(0.64), "gap_m": wide * 1.118})
    assert causes(fell)[1] == ["gap"]
    assert causes(trips(*[{"torque": torque(0.64), "gap_m": 1.25 * NOMINAL}] * 2))[1] == ["gap"]
    narrow = {"torque": torque(1.0), "gap_m": 0.5 * NOMINAL}  # half a step of the gauge is more of a narrow gap
    assert causes(trips(narrow, {"torque": torque(0.35), "gap_m": NOMINAL}))[1] == ["gap"]


@pytest.mark.parametrize(("days", "fast"), [(6.9, True), (7.1, False)])
def test_a_fall_within_a_week_is_said_to_be_fast_for_a_gap(days: float, *, fast: bool) -> None:
    first, last = trips({"gap_m": None}, {"gap_m": None, "torque": torque(0.64)})
    found = condition([first, replace(last, at_s=first.at_s + days * 86_400.0)], NOMINAL, 15.0).findings
    assert [("fast for a gap" in one.says.text()) for one in found] == [fast]


def test_a_brake_that_was_mended_is_sound_and_less_heat_within_its_doubt_is_nothing() -> None:
    assert causes(trips({"torque": torque(0.5)}, {})) == ("sound", [])
    assert causes(trips({}, {"share": (0.58, 0.03)})) == ("sound", [])


@pytest.mark.parametrize(("ceiling", "fell"), [((56.0, 60.0), False), ((54.0, 60.0), True)])
@pytest.mark.parametrize("first", [{"most_a": 57.0}, {"most_a": 63.0, "ceiling": (57.0, 62.0)}])
def test_a_ceiling_fell_where_it_is_well_below_what_the_first_trip_took(
    first: dict[str, object], ceiling: tuple[float, float], *, fell: bool
) -> None:
    told = trips(first, {"most_a": 56.0, "ceiling": ceiling, "excitation": 0.99})
    (finding,) = condition(told, NOMINAL, 15.0).findings
    assert finding.certain is fell
    assert ("in the first trip" in finding.says.text()) is fell


def test_a_torque_known_too_vaguely_makes_no_sound_brake() -> None:
    vague = {"torque": torque(0.94, std=0.32)}
    assert causes(trips({}, vague)) == ("sound", [])  # by the trip before: a light string takes nothing back
    assert causes(trips({}, {**vague, "share": (0.09, 0.03)})) == ("weakening", ["unknown"])
    told = condition(trips(vague, vague), NOMINAL, 15.0)
    assert (told.state, told.findings) == ("cannot-tell", ())
    assert [one.text() for one in told.lacks] == [
        "a torque known to +/- 0.15 or better (now +/- 0.64): a trip with more load or current"
    ]


def test_little_current_is_the_exciter_and_not_the_gap() -> None:
    """With little heat the torque index is vague, and a vague fall is none."""
    assert causes(trips({}, {"excitation": 0.55, "torque": torque(0.72, std=0.19)})) == ("weakening", ["exciter"])
    assert causes(trips({"excitation": 0.6}))[1] == ["exciter"]


def test_a_ceiling_is_said_with_what_first_and_middle_trip_took() -> None:
    told = trips(
        {"most_a": 57.0},
        {"most_a": 48.0, "ceiling": (47.6, 60.2), "excitation": 0.99},
        {"most_a": 38.4, "ceiling": (38.1, 58.4), "excitation": 0.81},
    )
    (finding,) = condition(told, NOMINAL, 15.0).findings
    assert finding.says.text().startswith(
        "the coil takes no more than 38 A, asked for up to 58 A; up to 57 A in the first trip, no more than 48 A in"
        " trip 2, over 2 months: "
    )
    assert "no toma más de 38 A, con hasta 58 A pedidos" in finding.says.text(LANGUAGES["es"])
    (early,) = condition(told[:2], NOMINAL, 15.0).findings  # it takes 99 % by the middle, and the cap is plain
    assert "no more than 48 A, asked for up to 60 A; up to 57 A in the first trip, over" in early.says.text()
    assert early.certain
    (lone,) = condition(told[1:2], NOMINAL, 15.0).findings
    assert not lone.certain  # it may have been so ever since it was built
    assert condition([*told, replace(told[0], number=4, at_s=4 * MONTH_S)], NOMINAL, 15.0).findings == ()
    shares = trips({}, {"excitation": 0.97}, {"excitation": 0.6})
    assert "takes 60% of the current asked for; 100% in the first trip, 97% in trip 2, over" in (
        condition(shares, NOMINAL, 15.0).findings[0].says.text()
    )


@pytest.mark.parametrize(("ohm", "cause", "says"), [
    (1.86, "exciter", "0.92 times the first trip's, so the coil's own resistance has not risen: exciter"),
    (2.4, "exciter", "exciter, cables or coil circuit; voltage over current is 1.19 times"),
    (3.1, "coil-circuit", "1.53 times the first trip's, more than a warmer coil explains: the coil"),
    (1.2, "coil-circuit", "part of the coil short-circuited"),
    (None, "exciter", "over 30 days: exciter, cables or coil circuit"),
])  # fmt: skip
def test_voltage_over_current_tells_exciter_from_coil(ohm: float | None, cause: str, says: str) -> None:
    told = trips({"coil_ohm": 2.02}, {"coil_ohm": ohm, "excitation": 0.55})
    (finding,) = condition(told, NOMINAL, 15.0).findings
    assert finding.cause == cause
    assert says in finding.says.text()
    from_the_first = trips({"coil_ohm": 2.02, "excitation": 0.55}, {"coil_ohm": 2.02, "excitation": 0.55})
    (finding,) = condition(from_the_first, NOMINAL, 15.0).findings  # no trip with all its current to hold it against
    assert finding.says.text().endswith("from the first trip on: exciter, cables or coil circuit")


def test_heat_that_comes_late_is_scale() -> None:
    state, found = causes(trips({}, {"contact": Contact(scale=0.2, std=0.15)}))
    assert (state, found) == ("weakening", ["scale"])
    assert causes(trips({"contact": Contact(scale=0.15, std=0.15)}))[1] == ["scale"]  # from the first trip on
    assert causes(trips({}, {"contact": Contact(scale=0.9, std=0.2)}))[1] == []
    (finding,) = condition(trips({}, {"contact": Contact(scale=0.2, std=0.15)}), NOMINAL, 15.0).findings
    assert "60 s later than as built" in finding.says.text()


@pytest.mark.parametrize(("scale", "std", "found"), [
    (0.75, 0.02, [False]), (0.85, 0.02, []), (0.7, 0.2, []), (0.5, 0.02, [True]),
])  # fmt: skip
def test_scale_is_a_fall_beyond_its_doubt_and_certain_where_its_band_is_below_as_built(
    scale: float, std: float, found: list[bool]
) -> None:
    told = trips({"contact": Contact(scale=1.0, std=std)}, {"contact": Contact(scale=scale, std=std)})
    assert [one.certain for one in condition(told, NOMINAL, 15.0).findings] == found


HOT = {"dry_s": 240.0, "torque": torque(1.0, 0.7)}


@pytest.mark.parametrize(("later", "says"), [
    ([{"torque": torque(1.0, 0.7)}], "as before in the next trip"),
    ([{"torque": torque(1.0, std=0.3)}, {}], "as before in trip 4"),
    ([{"torque": None}, {"torque": torque(0.5)}], "not as before in trip 4 either"),
    ([{"torque": torque(1.0, std=0.3)}], "no later trip tells"),
])  # fmt: skip
def test_what_later_trips_tell_of_a_hot_rotors_torque(later: list[dict[str, object]], says: str) -> None:
    found = condition(trips({}, HOT, *later), NOMINAL, 15.0).findings
    (finding,) = (one for one in found if one.cause == "hot-rotor" and "trip 2" in one.says.text())
    assert says in finding.says.text()
    assert ("not wear" in finding.says.text()) == ("not as before" not in says)


def test_a_fall_within_a_trip_is_a_hot_rotor_likely_where_nothing_else_explains_it() -> None:
    told = trips({}, {"torque": torque(1.0, 0.7)})
    assert [(one.cause, one.certain) for one in condition(told, NOMINAL, 15.0).findings] == [("hot-rotor", False)]
    assert causes(trips({}, {"torque": torque(1.0, 0.7), "excitation": 0.55}))[1] == ["exciter"]
    dry = trips({}, {"torque": torque(0.6), "dry_s": 240.0})  # of a trip without water the torque tells no gap
    assert [(one.cause, one.certain) for one in condition(dry, NOMINAL, 15.0).findings] == [("hot-rotor", True)]


@pytest.mark.parametrize(("apart_s", "says"), [
    (3600.0 * 5, "within 5.0 h"), (86_400.0 * 59, "over 59 days"), (86_400.0 * 61, "over 2 months"),
])  # fmt: skip
def test_how_far_apart_first_and_last_trip_are(apart_s: float, says: str) -> None:
    first, last = trips({}, {"share": (0.3, 0.03)})
    (finding,) = condition([first, replace(last, at_s=first.at_s + apart_s)], NOMINAL, 15.0).findings
    assert says in finding.says.text()


def test_a_hot_rotor_is_an_incident_and_no_wear() -> None:
    hot = {"dry_s": 240.0, "torque": torque(1.0, 0.7), "rotor_max_degc": 230.0}
    state, found = causes(trips({}, hot, {}))
    assert (state, found) == ("incident", ["hot-rotor"])
    (finding,) = condition(trips({}, hot, {}), NOMINAL, 15.0).findings
    assert "too little water for 240 s" in finding.says.text()
    assert "as before in the next trip" in finding.says.text()
    assert "rotor up to about 446 degF" in finding.says.text()
    (metric,) = condition(trips({}, hot, {}), NOMINAL, 15.0, "metric").findings
    assert "rotor up to about 230 degC" in metric.says.text()
    assert "no later trip" in condition(trips({}, hot), NOMINAL, 15.0).findings[0].says.text()


def test_what_lacks_is_said_and_nothing_is_guessed() -> None:
    bare = [Told(number=1, at_s=0.0), Told(number=2, at_s=MONTH_S)]
    found = condition(bare, NOMINAL, None)
    assert found.state == "cannot-tell"
    assert found.findings == ()
    assert len(found.lacks) == 4
    shares = [replace(bare[0], share=(0.6, 0.02)), replace(bare[1], share=(0.3, 0.02))]
    told = condition(shares, NOMINAL, None)
    assert [(one.cause, one.certain) for one in told.findings] == [("unknown", False)]
    assert "cannot tell why" in told.findings[0].says.text()
    assert condition([], NOMINAL, None).state == "cannot-tell"


def test_a_finding_reads_the_same_after_its_way_through_json() -> None:
    told = trips({}, {"contact": Contact(scale=0.2, std=0.15), "torque": torque(0.4), "gap_m": 1.1 * NOMINAL})
    findings = condition(told, NOMINAL, 15.0).findings
    assert [one.cause for one in findings] == ["scale", "gap-or-coils"]
    for one in findings:
        again = of_document(json.loads(json.dumps(one.says.document())))
        for words in LANGUAGES.values():
            assert again.text(words) == one.says.text(words)
            assert "{" not in one.says.text(words)
    english, spanish = (findings[1].says.text(words) for words in LANGUAGES.values())
    assert "over 1 months" not in english
    assert "over 30 days: air gap or coils: the measured gap (" in english
    assert "en 30 días: entrehierro o bobinas: el entrehierro medido (" in spanish


def series(n: int = 900) -> Series:
    t = np.arange(float(n))
    full = np.ones(n)
    return Series(
        duty=np.where(t % 150.0 < 32.0, 8e5, 0.0), flow=4.73e-3 * full, inlet=27.0 * full, outlet=27.0 * full,
        level=0.3 * full, known=np.ones(n, np.bool_),
    )  # fmt: skip


@pytest.mark.parametrize("scale", [1.5, 1.0, 0.4, 0.15])
def test_a_contact_is_found_whatever_share_and_bias_are(scale: float) -> None:
    """Truth: the same balance with the contact so scaled; the finer plant's stands in ``test_five_brakes``."""
    told = series()
    outlet = OutletModel(told, BRAKE).run(0.7, contact=scale) + 0.4 + 0.02 * np.sin(np.arange(900.0))
    values = {"duty_w": told.duty, "flow_m3_s": told.flow, "inlet_degc": told.inlet, "outlet_degc": outlet,
              "level_m": told.level}  # fmt: skip
    times = np.arange(900, dtype=np.int64) * 10**9
    samples = Samples(t_ns=times, utc_ns=times, run=times, input=times, values=values, totals={})
    found = contact(BRAKE, samples, (0, 900))
    assert found is not None
    low, high = found.band
    assert low < scale < high
    assert found.scale == pytest.approx(scale, rel=0.1)
    dry = {**values, "flow_m3_s": np.zeros(900)}
    assert contact(BRAKE, replace(samples, values=dry), (0, 900)) is None


def test_how_long_heat_stays() -> None:
    assert delay_of(6e4, 3e5, 2.4e4) == 15.0
