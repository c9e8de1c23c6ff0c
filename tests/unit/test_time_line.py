"""Alarms as bars: while the condition held, from the window's edge where it began before."""

import pytest

from brakewater.review.time_line import rows_of, time_line

BEGIN, END = "2031-02-03T04:00:00.000Z", "2031-02-03T05:00:00.000Z"
NS = 1_927_857_600_000_000_000


def event(minute: int, was: str, now: str, actor: str | None = None) -> dict[str, object]:
    t = f"2031-02-03T04:{minute:02d}:00.000Z"
    return {"t": t, "brake": "aux", "alarm": "cooling-lost", "from": was, "to": now, "actor": actor}


def at(minute: int) -> str:
    return f"2031-02-03T04:{minute:02d}:00.000Z"


@pytest.mark.parametrize(
    ("events", "spans"),
    [
        ([(10, "normal", "unacknowledged"), (20, "unacknowledged", "returned-unacknowledged")], [(at(10), at(20))]),
        ([(10, "normal", "unacknowledged"), (15, "unacknowledged", "acknowledged")], [(at(10), END)]),
        ([(20, "acknowledged", "normal")], [(BEGIN, at(20))]),
        ([(20, "unacknowledged", "acknowledged"), (30, "acknowledged", "normal")], [(BEGIN, at(30))]),
        ([(20, "returned-unacknowledged", "normal")], []),
        ([(5, "normal", "unacknowledged"), (6, "unacknowledged", "shelved"), (9, "shelved", "unacknowledged")],
         [(at(5), at(6)), (at(9), END)]),
    ],
)  # fmt: skip
def test_a_bar_lasts_while_the_condition_was_told_to_hold(events: list[tuple[int, str, str]], spans: object) -> None:
    assert rows_of([event(*one) for one in events], BEGIN, END)["aux.cooling-lost"].spans == spans


def test_what_stood_already_has_its_bar_whether_it_moves_in_the_window_or_not() -> None:
    rows = rows_of([event(20, "acknowledged", "normal")], BEGIN, END, ["rig.pump-stopped", "aux.cooling-lost"])
    assert {key: row.spans for key, row in rows.items()} == {
        "rig.pump-stopped": [(BEGIN, END)],
        "aux.cooling-lost": [(BEGIN, at(20))],
    }


def test_what_people_did_is_marked_and_names_are_text() -> None:
    rows = rows_of([event(10, "unacknowledged", "acknowledged", "driller")], BEGIN, END)
    assert rows["aux.cooling-lost"].marks == [at(10)]
    drawn = time_line(rows, [(NS + 1_800_000_000_000, "engineer: <note>")], (NS, NS + 3_600_000_000_000))
    assert "engineer: &lt;note&gt;" in drawn
    # Half of the hour lies in the middle of the 680 units between the names and the right edge.
    assert 'x="549.0"' in drawn


def test_nothing_is_said_where_nothing_was() -> None:
    assert "No alarm and no command" in time_line({}, [], (0, 1))
