"""The draw of incidents is repeatable and the table's bounds are those of the books."""

from pathlib import Path

import pytest

from brakewater_sim.faults import FAULTS
from brakewater_sim.story import parse
from faults.incident_rows import Rows, read
from faults.incident_table import counts, late, lower_bound, upper_rate
from faults.incidents import CAUSES, drawn
from faults.told import Incident, Told, plain


def test_an_incident_is_drawn_by_its_number_alone() -> None:
    assert drawn(7) == drawn(7)
    assert drawn(7).text != drawn(8).text
    assert drawn(7, seed=1).text != drawn(7).text


def test_two_hundred_incidents_are_sound_scenarios_of_every_cause() -> None:
    some = [drawn(number) for number in range(1, 201)]
    for one in some:
        assert parse(one.text).name == f"incident-{one.number}"
    assert set(CAUSES) == set(FAULTS)
    assert len({one.cause for one in some}) >= len(CAUSES) - 1
    assert {one.brake for one in some} == {"75 gal/min", "150 gal/min"}


def test_bounds_are_those_of_the_books() -> None:
    # All right of n: 0.05^(1/n). None in n hours: the rule of three, -ln(0.05) = 2.9957.
    assert lower_bound(10, 10) == pytest.approx(0.05**0.1)
    assert lower_bound(0, 10) == 0.0
    assert upper_rate(0, 300.0) == pytest.approx(0.99858, abs=1e-4)
    # One event: 4.7439 (tables of the Poisson distribution).
    assert upper_rate(1, 100.0) == pytest.approx(4.7439, abs=1e-3)


def told(cause: str, **changes: object) -> Told:
    incident = Incident(number=1, cause=cause, severity=1.0, at_s=10.0, role="", brake="75 gal/min", text="")
    fields: dict[str, object] = {
        "incident": incident, "early": (), "lead": "", "accepted": False, "after_s": 0.0, "limit": "",
        "lead_time_s": None, "wanted_s": 10.0,
    }  # fmt: skip
    return Told(**{**fields, **changes})  # type: ignore[arg-type]


def test_silence_is_right_only_where_it_was_allowed_and_nothing_was_hurt() -> None:
    assert not counts(told("scaled-rotor"))
    assert counts(told("scaled-rotor", limit="rotor"))
    assert counts(told("pump-stopped"))
    assert late(told("pump-stopped", limit="rotor"))
    assert late(told("pump-stopped", limit="rotor", lead_time_s=9.0))
    assert not late(told("pump-stopped", limit="rotor", lead_time_s=11.0))
    assert not late(told("pump-stopped"))
    assert plain("signal-bad:aux-flow") == "signal-bad"


def test_what_runs_kept_adds_up_and_a_line_cut_off_does_not_count(tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    rows = Rows()
    rows.take(3, told("pump-stopped", lead="pump-stopped", early=("aux.water-lost",)), one, 7)
    rows.take(1, ["rig.frost-ahead at 3 s of hour 1"], one, 7)
    rows.take(2, [], other, 7)
    with other.open("a") as file:
        file.write('{"seed": 7, "hour": 3, "ala')
    found = read([one, other], 7)
    assert (found.incidents(), found.hours()) == (rows.incidents(), [["rig.frost-ahead at 3 s of hour 1"], []])
    assert found.by_code("hour").endswith("(2)")
    with pytest.raises(SystemExit, match="seed 7"):
        read([one], 8)
