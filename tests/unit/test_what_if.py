"""What other settings would have done, asked of records whose own settings changed on the way."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

import streams
from brakewater.engine import Engine
from brakewater.record.segment import remove_segment, segment_path
from brakewater.review.study import of_record
from brakewater.rig import Rig
from brakewater.stream import Block, Command, Input, Start
from daemons import here
from record_streams import watched

RIG = streams.demo()
HOUR_NS = 3600 * 10**9
OTHER = "aux.brake-level-high.setpoint=14 in"
"""A setting that nothing in these records comes near."""
HOT = "aux.inlet-temperature-high"


def changed(old: str, new: str) -> Rig:
    return streams.parse(streams.changed(RIG.text, (old, new)))


def run(number: int, rig: Rig, before: bytes = b"", **values: float) -> tuple[Start, Block]:
    """Two minutes."""
    t0 = number * HOUR_NS
    named = {key.replace("_", "-"): value for key, value in values.items()}
    block = streams.scans(rig, 600, run=number, t0=t0 + rig.scan_ns, values=named)
    start = streams.start(rig, run=number, t_ns=t0, snapshot=before)
    return start, replace(block, utc_ns=streams.UTC + block.t_ns)


def recorded(folder: Path, items: Iterable[Input]) -> Path:
    return watched(folder, items, Engine())


def asked(folder: Path, *settings: str) -> object:
    return of_record(str(folder), settings)["what_if"]


def test_each_run_goes_by_its_own_rig_file_but_for_what_is_asked(tmp_path: Path) -> None:
    lower = changed('inlet-limit = "100 degF"', 'inlet-limit = "95 degF"')
    folder = recorded(tmp_path / "record", [*run(1, RIG, aux_inlet=36.5), *run(2, lower)])
    assert asked(folder, OTHER) == {}
    assert asked(folder, f"{HOT}.setpoint=97 degF") == {HOT: {"is": 0, "would_be": 1}}


def test_a_run_before_a_meter_was_ranged_anew_is_read_by_its_own_range(tmp_path: Path) -> None:
    wider = changed('range = ["0 gal/min", "150 gal/min"]', 'range = ["0 gal/min", "120 gal/min"]')
    folder = recorded(tmp_path / "record", [*run(1, RIG, aux_flow=80 * streams.GPM), *run(2, wider)])
    assert asked(folder, OTHER) == {}


def test_what_was_set_and_set_aside_before_the_record_begins_is_so(tmp_path: Path) -> None:
    before, (start, block) = Engine(), run(1, RIG)
    for item in (start, block):
        before.feed(item)
    for at, (do, who, args) in enumerate(
        (
            ("set", "engineer", {"setting": f"{HOT}.setpoint", "value": "90 degF", "reason": "hot day"}),
            ("out-of-service", "tool-pusher", {"alarm": "aux.cooling-flow-low", "reason": "meter is out"}),
        )
    ):
        command = streams.command(block, do, key=f"c{at}", actor=who, **args)
        assert before.feed(replace(command, input=command.input + at)).answers[0].ok
    folder = recorded(tmp_path / "record", run(2, RIG, before.state(), aux_inlet=35.0, aux_flow=70 * streams.GPM))
    assert asked(folder, OTHER) == {}
    assert asked(folder, f"{HOT}.setpoint=98 degF") == {HOT: {"is": 1, "would_be": 0}}


def test_a_recorded_command_that_sets_what_is_asked_about_is_named(tmp_path: Path) -> None:
    start, block = run(1, RIG)
    args = {"setting": f"{HOT}.setpoint", "value": "90 degF", "reason": "hot day"}
    command: Command = replace(streams.command(block, "set", actor="engineer", **args), utc_ns=int(block.utc_ns[-1]))
    folder = recorded(tmp_path / "record", [start, block, command])
    says = "was set to 90 degF by command at"
    (told,) = of_record(str(folder), (f"{HOT}.setpoint=98 degF",))["overruled"]
    assert told.startswith(f"{HOT}.setpoint {says}")
    assert says in here("replay", folder, "--set", f"{HOT}.setpoint=98 degF").stderr
    assert says not in here("replay", folder, "--set", OTHER).stderr


def test_it_is_answered_though_the_newest_run_cannot_be_read(tmp_path: Path) -> None:
    folder = recorded(tmp_path / "record", [*run(1, RIG, aux_inlet=36.5), *run(2, RIG)])
    remove_segment(segment_path(folder, 2))
    segment_path(folder, 2).write_bytes(b"no record " * 4096)
    done = here("replay", folder, "--set", f"{HOT}.setpoint=97 degF")
    assert done.returncode == 1
    assert "Inlet water too warm" in done.stdout
    assert "00000002.sqlite3" in done.stderr


@pytest.mark.parametrize("setting", ["aux.inlet-temp-high.setpoint=1 degF", f"{HOT}.setpoint=warm"])
def test_nonsense_is_still_refused(tmp_path: Path, setting: str) -> None:
    folder = recorded(tmp_path / "record", run(1, RIG))
    assert "--set" in str(of_record(str(folder), (setting,))["error"])
    assert here("replay", folder, "--set", setting).returncode == 2
