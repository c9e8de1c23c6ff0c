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
    (1.1 * NOMINAL, 0.4, "gap-or-coils"),
])  # fmt: skip
def test_the_measured_gap_tells_gap_from_coils(gap_m: float | None, index: float, cause: str) -> None:
    told = trips({"gap_m": None if gap_m is None else NOMINAL}, {"torque": torque(index), "gap_m": gap_m})
    assert causes(told)[1] == [cause]
    assert causes(told)[0] == "weakening"


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
