"""Lines on a terminal: what is no alarm, and how sure a ranking is."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

import streams
from brakewater.cli.expected import ranking_lines
from brakewater.cli.lines import between_line, event_line
from brakewater.field.hypothesis import hypotheses
from brakewater.field.suspects import Ranking, Suspect
from brakewater.rig import Rig
from brakewater.rig.cautions import references_as_addresses
from brakewater.stream import Answer, Command, Request

RIG = streams.demo()


def command(do: str, **args: object) -> Command:
    return Command(run=1, input=5, t_ns=0, utc_ns=streams.UTC, request=Request(id="7", actor="mo", do=do, args=args))


def test_a_refused_command_is_told_as_refused() -> None:
    asked = command("shelve", alarm="aux.cooling-lost")
    done = Answer(id="7", actor="mo", ok=True, says="shelved")
    assert between_line(asked, "rig-4", [done]).endswith("mo asked: shelve alarm aux.cooling-lost")
    refused = replace(done, ok=False, says="no such alarm")
    assert between_line(asked, "rig-4", [refused]).endswith("aux.cooling-lost; REFUSED: no such alarm")


@pytest.mark.parametrize(("passed", "says"), [(True, "passed"), (False, "FAILED")])
def test_a_loop_sheet_is_one_short_line(*, passed: bool, says: str) -> None:
    sheet = {"by": "mo", "passed": passed, "steps": [{"injected": 4.0}] * 20}
    line = between_line(command("loop-sheet", point="aux-flow", sheet=sheet), "rig-4")
    assert line.endswith(f"mo asked: loop-sheet point aux-flow, sheet of mo, {says}")


def test_the_readings_of_a_round_are_said() -> None:
    values = {"plug-1-left": "0.1143 mm", "plug-1-right": "0.1016 mm", "ph": 8.2}
    line = between_line(command("log-round", round="air-gap", values=values), "rig-4")
    assert line.endswith(
        "mo asked: log-round round air-gap, values plug-1-left 0.1143 mm, plug-1-right 0.1016 mm, ph 8.2"
    )
    odd = between_line(command("loop-sheet", sheet={"steps": [{"injected": 4.0}] * 20}), "rig-4")
    assert odd.endswith("mo asked: loop-sheet sheet of nobody named, in the record")


def test_equal_explanations_name_no_most_likely_one() -> None:
    point = next(point for point in RIG.points if point.name == "aux-flow")
    first, other = hypotheses(point, 1)[:2]

    def ranked(*shares: float) -> str:
        suspects = tuple(
            Suspect(hypothesis=one, residuals=(0.0,), probability=share, fits=True)
            for one, share in zip((first, other), shares, strict=True)
        )
        return ranking_lines(Ranking(verdict="cannot-tell", suspects=suspects), point, "us")[0]

    assert ranked(0.5, 0.5) == "aux-flow: cannot tell: 2 explanations fit equally well"
    assert ranked(0.8, 0.2) == "aux-flow: cannot tell; most likely: as the rig file has it"


@pytest.mark.parametrize(
    ("table", "address", "meant"),
    [("input", 30005, 4), ("holding", 40001, 0), ("discrete", 10010, 9), ("input", 40001, None), ("input", 29, None)],
)
def test_a_reference_written_as_an_address_is_pointed_out(table: str, address: int, meant: int | None) -> None:
    point = SimpleNamespace(name="x", table=SimpleNamespace(value=table), address=address)
    rig: Rig = SimpleNamespace(points=(point,), mailboxes=())  # type: ignore[assignment]
    told = references_as_addresses(rig)
    assert len(told) == (meant is not None)
    assert not told or f"write reference = {address} instead (which is address {meant})" in told[0]


@pytest.mark.parametrize(
    ("before", "mark"), [("normal", "first out: "), ("returned-unacknowledged", "first out: "), ("unacknowledged", "")]
)
def test_first_out_is_who_came_first_not_whoever_was_silenced_then(before: str, mark: str) -> None:
    shown = {
        "t": "2031-02-03T04:05:06.200Z",
        "priority": "high",
        "first_out": True,
        "from": before,
        "to": "unacknowledged",
        "text": "Cooling water low.",
    }
    assert event_line(shown) == f"2031-02-03 04:05:06.200Z  high      {mark}Cooling water low."
