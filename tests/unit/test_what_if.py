"""What other settings would have done, asked of records whose own settings changed on the way."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

import streams
from brakewater.engine import Engine
from brakewater.record.reader import Record
from brakewater.record.segment import remove_segment, segment_path
from brakewater.review.study import of_record
from brakewater.review.what_if import SettingError, asked_of, objections, overruled, read_back, with_settings
from brakewater.rig import Rig
from brakewater.stream import Answer, Block, Command, Input, Outcome, Start
from brakewater.wording import LANGUAGES
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


RANGE = 'range = ["0 gal/min", "150 gal/min"]'
SPARE = """
[[brake.redundant]]
role = "inlet-flow"
rule = "mean"
[[brake.point]]
name = "spare"
role = "inlet-flow"
device = "plc1"
table = "holding"
address = 0
signal = { kind = "linear", raw = [0, 1000], range = ["0 gal/min", "150 gal/min"] }
[[lamp]]"""


@pytest.mark.parametrize("said", [False, True])
@pytest.mark.parametrize("value", ["2 to 120 gal/min", "2 gal/min to 120 gal/min", " 2 gal/min to  120 gal/min "])
def test_a_range_asked_about_is_as_if_the_rig_file_gave_it(value: str, *, said: bool) -> None:
    """With what the meter may be off by, which goes by its span, and for whatever is made of several meters."""
    text = streams.changed(RIG.text, ("[[lamp]]", SPARE))
    first = text.index('name = "aux-flow"')
    if said:
        text = text[:first] + text[first:].replace("signal", 'accuracy = "2 gal/min"\nsignal', 1)
    wanted = streams.parse(streams.changed(text, (RANGE, 'range = ["2 gal/min", "120 gal/min"]')))
    found = with_settings(streams.parse(text), [f"aux-flow.range={value}"])
    assert (found.points, found.redundant, found.alarms) == (wanted.points, wanted.redundant, wanted.alarms)


def test_of_two_brakes_only_the_alarm_that_is_named_is_set() -> None:
    rig = streams.parse(streams.two_brakes())
    found = {rule.key: rule for rule in with_settings(rig, ["two.cooling-flow-low.setpoint=140 gal/min"]).alarms}
    told = {key for key, rule in found.items() if rule not in rig.alarms}
    assert told == {"two.cooling-flow-low"}
    assert found["two.cooling-flow-low"].setpoint == pytest.approx(140 * streams.GPM)


def test_settings_are_read_back_as_they_were_read() -> None:
    low = "aux.cooling-flow-low"
    asked = [f"{low}.setpoint = 270 L/min", f"{low}.on-delay=1500 ms", f"{HOT}.deadband=1 K", f"{HOT}.setpoint=40 degC"]
    asked += ["aux-flow.range=0 to 8 L/s"]
    assert read_back(with_settings(RIG, asked), asked) == [
        "aux.cooling-flow-low.setpoint = 71.3265 gal/min",
        "aux.cooling-flow-low.on-delay = 1.5 s",
        f"{HOT}.deadband = 1.8 degF",
        f"{HOT}.setpoint = 104 degF",
        "aux-flow.range = 0 to 126.803 gal/min",
    ]


@pytest.mark.parametrize(("setting", "why"), [
    ("aux.cooling-flow-low.on-delay=-2 s", "if-negative"), ("aux.cooling-flow-low.on-delay=25 h", "if-long"),
    ("aux.cooling-flow-low.setpoint=-2 m", "if-quantity"), ("aux.cooling-flow-low.deadband=", "if-form"),
    ("aux-flow.range=5 to 5 gal/min", "if-range"), ("aux-flow.range=5 gal/min", "if-form"),
    ("aux-inlet.range=0 to 5 K", "if-point"), ("rig.broker-lost.setpoint=3", "if-lacks"),
    ("rig.broker-lost.deadband=3", "if-lacks"), ("aux.brake-level-rising.deadband=1 in", "if-lacks"),
])  # fmt: skip
def test_a_setting_is_refused_by_name(setting: str, why: str) -> None:
    with pytest.raises(SettingError) as caught:
        with_settings(RIG, [setting])
    assert caught.value.why == why


def test_only_what_is_set_is_objected_to() -> None:
    rig = with_settings(RIG, ["aux.brake-level-high.setpoint=900 mm", "aux.cooling-flow-low.on-delay=1 s"])
    assert objections(rig, ["aux.cooling-flow-low.on-delay=1 s"]) == []
    (told,) = objections(rig, ["aux.brake-level-high.setpoint=900 mm"])
    assert "below the bearing level" in str(told)


@pytest.mark.parametrize(("setting", "why", "places"), [
    ("aux.brake-level-high.setpoint=900 mm", "if-bearing", {"found": "35.43 in", "limit": "23.62 in"}),
    ("aux.outlet-temperature-high.setpoint=220 degF", "if-boiling", {"found": "220 degF", "limit": "211.3 degF"}),
    ("aux.cooling-flow-low.setpoint=0 gal/min", "if-zero", {"found": "0 gal/min"}),
    ("aux.cooling-flow-low.on-delay=15 s", "if-late", {"found": "15 s", "limit": "5 s"}),
    ("aux.cooling-lost.on-delay=1 s", "if-lost", {"found": "1 s", "limit": "0.1 s"}),
    ("aux.cooling-lost.setpoint=200 gal/min", "if-beyond", {"found": "200 gal/min", "low": "0", "high": "150 gal/min"}),
])  # fmt: skip
def test_what_check_would_refuse_is_said_in_the_reader_s_language(
    setting: str, why: str, places: dict[str, str]
) -> None:
    """By a name with numbers: a sentence of check's own would stand in English on every page."""
    (told,) = objections(with_settings(RIG, [setting]), [setting])
    assert (told.why, dict(told.places)) == (why, {"alarm": setting.rpartition(".")[0], **places})
    said = LANGUAGES["es"].pages[f"refused-{why}"].format(**dict(told.places))
    assert "se admite: " in said
    assert all(value in said for value in places.values())


@pytest.mark.parametrize("setting", ["aux-flow.range=10 to 120 gal/min", "aux.cooling-lost.setpoint=200 gal/min"])
def test_a_setpoint_that_its_transmitter_cannot_show_is_objected_to(setting: str) -> None:
    """As in a rig file: the alarm could never come, or never go."""
    (told,) = objections(with_settings(RIG, [setting]), [setting])
    assert "which its transmitter can show" in str(told)
    assert dict(told.places)["alarm"] == "aux.cooling-lost"
    within = ["aux-flow.range=0 to 120 gal/min"]
    assert objections(with_settings(RIG, within), within) == []


@pytest.mark.parametrize(("do", "ok", "named"), [("set", True, True), ("set", False, False), ("unset", True, False)])
def test_only_a_command_that_set_something_overrules(do: str, *, ok: bool, named: bool) -> None:
    _, block = run(1, RIG)
    command = streams.command(block, do, actor="engineer", setting=f"{HOT}.setpoint", value="90 degF", reason="x")
    outcome = Outcome(answers=(Answer(id="c1", actor="engineer", ok=ok, says=""),))
    assert (overruled([f" {HOT}.setpoint = 98 degF"], command, outcome) is not None) is named
    assert overruled([OTHER], command, outcome) is None


def test_every_rig_file_of_a_record_says_what_may_be_asked_about(tmp_path: Path) -> None:
    renamed = streams.parse(RIG.text.replace('"aux-flow"', '"new-flow"'))
    folder = recorded(tmp_path / "record", [*run(1, RIG), *run(2, renamed)])
    rig, instead = asked_of(Record(folder), ["new-flow.range=0 to 120 gal/min"])
    assert rig.points == with_settings(renamed, ["new-flow.range=0 to 120 gal/min"]).points
    assert instead(RIG) is RIG  # of before there was such a point
    assert instead(renamed).points == rig.points
    rig, instead = asked_of(Record(folder), ["aux-flow.range=0 to 120 gal/min"])
    assert rig.points == with_settings(RIG, ["aux-flow.range=0 to 120 gal/min"]).points
    assert instead(renamed) is renamed
    with pytest.raises(SettingError, match="other-flow"):
        asked_of(Record(folder), ["other-flow.range=0 to 120 gal/min"])
    with pytest.raises(SettingError, match="without a unit"):
        asked_of(Record(folder), ["aux-flow.range=0 to 120"])


def test_what_a_brake_did_under_its_former_name_may_be_asked_about(tmp_path: Path) -> None:
    """The page offered its alarms for such a trip, and refused to answer."""
    renamed = changed('[[brake]]\nname = "aux"', '[[brake]]\nname = "main"')
    folder = recorded(tmp_path / "record", [*run(1, RIG, aux_inlet=36.5), *run(2, renamed)])
    assert asked(folder, f"{HOT}.setpoint=97 degF") == {HOT: {"is": 0, "would_be": 1}}
