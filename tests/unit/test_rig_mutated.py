"""No rig file, however mangled, gives anything but a rig that can be watched or a list of faults."""

# ruff: noqa: E501 - tables of odd values

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import streams
from brakewater.errors import RigFileError
from brakewater.rig import Rig, parse
from brakewater.rig.roles import REQUIRED

FEW = settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
MANY = settings(max_examples=20_000, deadline=None, suppress_health_check=list(HealthCheck))
TEXTS = (streams.DEMO.read_text(encoding="utf-8"), streams.two_brakes(), streams.rich().text)
VALUES = (
    "0", "-1", "1", "3.5", "1e400", "nan", "-inf", "true", "65535", "65536", "99999999999999999999", '""', '"x"', "[]", "[1]", "[[]]", "{}",
    '{ kind = "bit" }', '{ kind = "pt100" }', '{ kind = "direct", unit = "degF" }', '{ kind = ["bit"] }',
    '{ kind = "linear", raw = [0, 0], range = ["0 m", "1 m"] }', '{ kind = "linear", raw = [0, 1], range = [0, "1e308 gal/min"] }',
    '"bit 3"', '"float64"', '"coil"', '"holding"', '"low-first"', '"0 s"', '"1e-300 s"', '"366 d"', '"1e300 d"', '"-5 s"', '"1 gal"',
    '"100 degF"', '"2 K"', '"1e307 gal/min"', '"1e-300 gal/min"', '"1 mm"', '"1e300 m"', '"aux"', '"self"', '"rig"', '"inlet-flow"', '"outlet"',
    '{ kind = "pulse", k-factor = "1e300 per L", full-scale = "1e300 L/s" }', '{ kind = "pulse", k-factor = "5 per L", full-scale = "1 L/s", rolls-at = 1e9 }',
    '{ kind = "root", raw = [0, 1], full-scale = "-1 L/s", cut = "nan" }', '{ kind = "frequency", k-factor = "-5 per L", least-hz = -1 }',
    '{ kind = "pt100", leads = { wires = "2" } }', '{ kind = "pt1000", leads = [] }', '{ gain = "x" }', "{ gain = nan, offset = 3 }", '["1 degF", "0 degF"]',
    '["-1e308 m", "1e308 m"]', '"5 degF/s"', '"1e308 m/s"', '"2 gal/min/s"', '"rtu"', '"tls"', '"two-of-three"', '"B"', "{ holding = [[5, 3]] }", "{ coil = [[0, 65535]] }",
    '"in-service"', '"heartbeat"', '"cooling-lost"', "2031-01-01", "07:32:00", "'''\nx = 1\n'''", '["a", 1]', '"\\u0000"', '"metric"',
)  # fmt: skip
LINES = (
    "[[brake]]", "[[brake.point]]", "[[point]]", "[[brake.alarm]]", 'alarm = "cooling-lost"', 'alarm = "brake-level-high"', "[[alarm]]",
    'alarm = "signal-bad"', 'setpoint = "1 gal/min"', 'deadband = "1 degF"', "latch = true", 'on-delay = "0 s"', 'off-delay = "1 h"', "[mirror.a]",
    'url = "http://127.0.0.1"', "[mirror]", "[tank]", "[[device]]", "every = 3", 'meter = "outlet"', 'rotor-cool-down = "0 s"', "=", "[", "]]", '"""',
    "every = 7", 'damping = "1 s"', 'jump-limit = "1 degF/s"', 'frozen-after = "2 s"', "trim = {}", 'accuracy = "1 mm"', 'stuck-after = "1 s"', "[[brake.redundant]]",
    "holes = { input = [[0, 9]] }", 'transport = "rtu"', 'serial = "/dev/a"', "baud = 1", 'tolerance-class = "A"', 'sensor-range = ["0 degC", "1 degC"]', "reference = 40001", "reference = 10001", "schema = 1", "brake = 3", "point = {}", "a.b.c = 1",
)  # fmt: skip

where = st.integers(0, 10_000)
steps = st.lists(
    st.one_of(
        st.tuples(st.just("delete"), where, st.just("")),
        st.tuples(st.just("double"), where, st.just("")),
        st.tuples(st.just("value"), where, st.sampled_from(VALUES)),
        st.tuples(st.just("insert"), where, st.sampled_from(LINES)),
        st.tuples(st.just("letter"), where, st.characters(codec="utf-8")),
        st.tuples(st.just("cut"), where, st.just("")),
    ),
    min_size=1,
    max_size=5,
)


def mangled(text: str, changes: list[tuple[str, int, str]]) -> str:
    for what, number, new in changes:
        lines = text.split("\n")
        at = number % len(lines)
        match what:
            case "delete":
                lines.pop(at)
            case "double":
                lines.insert(at, lines[at])
            case "value":
                lines[at] = lines[at].split("=")[0] + "= " + new
            case "insert":
                lines.insert(at, new)
            case "letter":
                place = number % (len(lines[at]) + 1)
                lines[at] = lines[at][:place] + new + lines[at][place + 1 :]
            case _ if number % 10 == 0:
                lines = lines[:at]
        text = "\n".join(lines)
    return text


def check(text: str) -> None:
    try:
        rig = parse(text)
    except RigFileError as error:
        faults = error.faults
    else:
        check_rig(rig)
        return
    assert faults
    for fault in faults:
        assert 1 <= fault.line <= text.count("\n") + 1
        assert all((fault.key, fault.found, fault.allowed))


def check_rig(rig: Rig) -> None:
    for brake in rig.brakes:
        assert all(rig.role(role, brake.name) for role in REQUIRED)
    assert len({rule.key for rule in rig.alarms}) == len(rig.alarms)
    streams.play([streams.start(rig), streams.scans(rig, 3), streams.scans(rig, 1, first=4)])


@FEW
@given(text=st.sampled_from(TEXTS), changes=steps)
def test_mangled(text: str, changes: list[tuple[str, int, str]]) -> None:
    check(mangled(text, changes))


@pytest.mark.parametrize("text", TEXTS, ids=["demo", "two", "rich"])
def test_every_line_missing_and_every_line_twice(text: str) -> None:
    for at, line in enumerate(text.split("\n")):
        if line and not line.startswith("#"):
            check(mangled(text, [("delete", at, "")]))
            check(mangled(text, [("double", at, "")]))


@pytest.mark.long
@pytest.mark.timeout(3600)
@MANY
@given(text=st.sampled_from(TEXTS), changes=steps)
def test_many_mangled(text: str, changes: list[tuple[str, int, str]]) -> None:
    check(mangled(text, changes))


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("text", TEXTS, ids=["demo", "two", "rich"])
@pytest.mark.parametrize("value", VALUES)
def test_every_value_in_every_place(text: str, value: str) -> None:
    for at, line in enumerate(text.split("\n")):
        if "=" in line:
            check(mangled(text, [("value", at, value)]))
