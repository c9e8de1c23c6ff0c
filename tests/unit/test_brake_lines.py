"""What ``trips`` says of a brake: the causes that ``study`` finds stand where they explain what is seen."""

from dataclasses import dataclass
from typing import Any

from brakewater.review.health import brake_lines
from brakewater.review.torque import Torque
from brakewater.review.why import Told, condition
from told_parts import MONTH_S, NOMINAL, torque, trips


@dataclass(frozen=True)
class Line:
    torque: Torque | None
    heat_share: tuple[float, float] | None
    lowered: bool = True


def said(told: list[Told]) -> list[tuple[int, str]]:
    lines: Any = [Line(one.torque, one.share) for one in told]
    return brake_lines(condition(told, NOMINAL, 15.0), lines)


def test_a_fall_of_the_share_is_explained_by_the_coil_s_current() -> None:
    capped: dict[str, object] = {"most_a": 20.3, "ceiling": (20.0, 59.9), "excitation": 0.4, "share": (0.09, 0.03)}
    told = trips({"most_a": 57.0}, {**capped, "torque": torque(0.94, std=0.32)})
    (trips_of, vague), (_, share) = said(told)
    assert trips_of == 2
    assert vague.startswith("cannot tell: the torque (0.94)")
    assert share.startswith(
        "the water took 62% of the hoist's work in the first trip in, 9% in the last: the coil takes no more than 20 A"
    )
    assert "see who brakes" not in share
    dark = [Told(number=one.number, at_s=one.at_s, torque=torque(1.0), share=one.share) for one in told]
    assert said(dark)[1][1].endswith("look at the coil current, or see who brakes")
    dim = [dark[0], Told(number=2, at_s=dark[1].at_s, torque=torque(0.94, std=0.32), share=dark[1].share)]
    assert "cannot tell why: less current asked for" in said(dim)[1][1]


def test_a_weak_torque_is_told_with_the_cause_that_study_finds() -> None:
    told = trips({}, {"torque": torque(0.64), "gap_m": 1.25 * NOMINAL})
    (finding,) = condition(told, NOMINAL, 15.0).findings
    assert said(told) == [(2, finding.says.text())]
    assert "air gap: the measured gap" in finding.says.text()
    unsure = said(trips({"gap_m": None}, {"torque": torque(0.64), "gap_m": None}))
    assert unsure[0][1].startswith("likely, torque fell from 1.00 to 0.64")


def test_what_else_is_found_follows() -> None:
    hot = {"dry_s": 240.0, "torque": torque(1.0, 0.7), "rotor_max_degc": 230.0}
    told = trips({}, hot, {})
    assert [trips_of for trips_of, _ in said(told)] == [3, 0]
    assert "as new within its uncertainty" in said(told)[0][1]
    assert "too little water for 240 s" in said(told)[1][1]
    assert said([Told(number=1, at_s=MONTH_S)]) == []
