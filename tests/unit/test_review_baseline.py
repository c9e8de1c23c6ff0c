"""What was measured before a part was changed is not compared with what came after."""

from dataclasses import dataclass
from typing import Any

from brakewater.review.replay import Tally
from brakewater.review.samples import Sampled
from brakewater.review.trips import TripLedger
from rig_parts import demo_rig


@dataclass(frozen=True)
class Line:
    brake: str
    from_utc_ns: int


def test_the_newest_change_of_a_brakes_own_parts_counts() -> None:
    changes = ((5, "aux", "meter"), (9, "aux", "rotor"), (12, "main", "meter"), (7, "aux", "outlet-rtd"))
    found = Sampled(rig=demo_rig(), brakes={}, events=[], tally=Tally(), changes=changes)
    assert found.since_ns("aux") == 9
    assert found.since_ns("aux", "meter", "inlet-rtd") == 5
    assert found.since_ns("aux", "coil") is None
    assert found.since_ns("other") is None


def test_trips_of_before_the_change_are_left_out_of_its_brake_only() -> None:
    lines: Any = (Line("aux", 1), Line("main", 2), Line("aux", 9), Line("aux", 20), Line("main", 21))
    ledger = TripLedger(rig=demo_rig(), lines=lines, tally=Tally(), since_ns={"aux": 9})
    assert [line.from_utc_ns for line in ledger.since_change("aux")] == [9, 20]
    assert [line.from_utc_ns for line in ledger.since_change("main")] == [2, 21]
