"""``brakewater check``: what it prints for a good rig file, and for a bad one every fault at once."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from daemons import DEMO, here, small_rig

pytestmark = pytest.mark.integration

BAD = (
    ('least-flow = "75 gal/min"', 'least-flow = "75 gal"', "least-flow"),
    ('bearing-level = "600 mm"', 'bearing-level = "600 degC"', "bearing-level"),
    ("address = 3", "address = 2", "address"),
    ('role = "inlet-temperature"', 'role = "inlet-temprature"', "role"),
    ('name = "aux-level"', 'name = "aux-outlet"', "name"),
    ('pad = "quillwort-1"', 'pad = "quillwort-1"\nbogus = 1', "bogus"),
)


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    rig = small_rig(tmp_path / "bad.toml", device=1502)
    text = rig.read_text()
    for old, new, _ in BAD:
        assert old in text
        text = text.replace(old, new, 1)
    rig.write_text(text)
    return rig


@pytest.mark.parametrize(
    ("host", "warned"),
    [("127.0.0.1:1502", True), ("mqtt://plc1", True), ("192.0.2.300", True), ("plc1.rig", False), ("::1", False)],
)
def test_a_host_that_nobody_has_is_warned_of(tmp_path: Path, host: str, *, warned: bool) -> None:
    rig = small_rig(tmp_path / "rig.toml", device=1502)
    rig.write_text(rig.read_text().replace('host = "127.0.0.1"', f'host = "{host}"', 1))
    done = here("check", rig)
    assert done.returncode == 0
    assert (f'host = "{host}" is neither an address nor a name' in done.stdout) == warned


FLOW = 'signal = { kind = "linear", raw = [0, 1000], range = ["0 gal/min", "100 gal/min"] }'


@pytest.mark.parametrize(
    ("changes", "keys"),
    [
        (
            {
                "address = 0\n": "adress = 0\n",
                'role = "inlet-flow"': 'role = "inlet-flaw"',
                FLOW: FLOW.replace("1000", "0"),
            },
            ["role", "adress", "signal.raw"],
        ),
        (
            {"address = 0\n": "address = -1\nevery = 0\n", FLOW: FLOW.replace("100 gal/min", "100 gal")},
            ["address", "every", "signal.range"],
        ),
        (
            {"address = 0\n": 'address = 0\ndampng = "2 s"\n', FLOW: FLOW.replace("range", "rnge")},
            ["dampng", "signal.rnge"],
        ),
        ({"address = 0\n": 'reference = 30001\njump-limit = "5 degF/s"\n'}, ["reference", "jump-limit"]),
        ({"address = 0\n": "adress = 0\n"}, ["adress"]),
        ({FLOW: FLOW.replace("signal", "sgnal")}, ["sgnal"]),
    ],
)
def test_all_that_is_wrong_with_a_point_is_told_in_one_go(
    tmp_path: Path, changes: dict[str, str], keys: list[str]
) -> None:
    rig = small_rig(tmp_path / "rig.toml", device=1502)
    text = rig.read_text()
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new, 1)
    rig.write_text(text)
    done = here("check", rig, "--json")
    told = [fault["key"] for fault in json.loads(done.stdout)["faults"]]
    assert (done.returncode, told) == (2, [f"brake[0].point[0].{key}" for key in keys])


def test_a_good_file_as_json() -> None:
    done = here("check", DEMO, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    said = json.loads(done.stdout)
    assert said.keys() == {"ok", "faults", "warnings", "reads", "alarms", "unwatched", "writes"}
    assert (said["ok"], said["faults"], said["warnings"], said["writes"]) == (True, [], [], [])
    assert said["reads"] == [{"device": "plc1", "unit": 1, "table": "input", "address": 0, "count": 12}]
    alarms = {one["alarm"]: one for one in said["alarms"]}
    assert alarms["aux.cooling-flow-low"]["setpoint"] == pytest.approx(75 * 3.785411784e-3 / 60)
    assert alarms["aux.outlet-temperature-high"]["setpoint"] == pytest.approx((160 - 32) / 1.8)
    assert alarms["aux.brake-level-rising"]["defaults"] == ["off-delay", "on-delay", "setpoint"]
    assert "setpoint" not in alarms["aux.cooling-flow-low"]["defaults"]
    assert {"alarm": "aux.water-lost", "lacks": ["a point of role return-flow"]} in said["unwatched"]
    assert {"rig.broker-lost", "rig.device-silent:plc1", "rig.signal-bad:aux-flow"} <= alarms.keys()


LOOP = 'signal = {{ kind = "current-loop", raw = [{}, {}], range = ["{} gal/min", "{} gal/min"] }}'


ROOT = 'signal = {{ kind = "root", raw = [0, 27648], full-scale = "150 gal/min", cut = "1 %", loop = {} }}'
BROKEN = 'as 4 to 20 mA: of a loop say kind = "current-loop", or a broken one reads -25 gal/min and counts as measured'
WRAPS = "arrives as 65535 in uint16 and reads as 6553 gal/min, so that nothing tells of a loss"


@pytest.mark.parametrize(
    ("new", "kind", "says"),
    [
        (LOOP.format(0, 27648, 0, 150), "int16", ()),
        (LOOP.format(27648, 0, 0, 150), "int16", ("aux-flow: its value falls as its counts rise",)),
        (LOOP.format(0, 27648, 150, 0), "int16", ("aux-flow: its value falls as its counts rise",)),
        (LOOP.format(27648, 0, 150, 0), "int16", ()),
        (LOOP.format(0, 65535, 0, 150), "int16", ("raw = [0, 65535] goes beyond what int16 holds, -32768 to 32767",)),
        (LOOP.format(0, 4095, 0, 150), "uint16", ("3.6 mA would be -102 counts, which uint16 does not hold",)),
        (LOOP.format(819, 4095, 0, 150), "uint16", ()),
        (LOOP.format(0, 32767, 0, 150), "int16", ("21 mA would be 34815 counts, which int16 does not hold",)),
        (FLOW.replace("1000", "40000"), "int16", ("goes beyond what int16 holds",)),
        (FLOW, "uint16", (WRAPS,)),
        (FLOW, "int16", ()),
        (f'{FLOW}\nsensor-range = ["-1 gal/min", "110 gal/min"]', "uint16", ()),
        ('signal = {{ kind = "direct", unit = "gal/min" }}'.format(), "uint16", ("reads as 6.554e+04 gal/min",)),
        (FLOW.replace("[0, 1000]", "[250, 1000]"), "uint16", ()),
        (FLOW.replace("[0, 1000]", "[4000, 20000]"), "int16", (BROKEN,)),
        (FLOW.replace("[0, 1000]", "[819, 4095]"), "uint16", ("raw = [819, 4095] stand to each other as 4 to 20 mA",)),
        (f'{FLOW.replace("[0, 1000]", "[4, 20]")}\nsensor-range = ["-3 gal/min", "104 gal/min"]', "float32", ()),
        (FLOW.replace("[0, 1000]", "[4, 20]"), "float32", ('say kind = "current-loop", or a broken one reads -25',)),
        (ROOT.format("false"), "uint16", ("and reads as 230.9 gal/min",)),
        (ROOT.format("true"), "int16", ()),
        (FLOW.replace("1000", "27648"), "int16", ("whatever int16 holds counts as measured, up to 118.5 gal/min",)),
        (FLOW.replace("1000", "32767"), "int16", ()),
        (FLOW.replace("[0, 1000]", "[-27648, 27648]"), "int16", ()),
    ],
)
def test_what_may_be_meant_but_is_likely_a_slip_is_warned_of(
    tmp_path: Path, new: str, kind: str, says: tuple[str, ...]
) -> None:
    rig = small_rig(tmp_path / "rig.toml", device=1502)
    text = rig.read_text().replace("address = 0", "address = 40")  # with room for a longer number
    rig.write_text(text.replace(FLOW, f'{new}\ntype = "{kind}"'))
    done = here("check", rig, "--json")
    told = json.loads(done.stdout)["warnings"]
    assert done.returncode == 0, done.stderr
    assert len(told) == len(says)
    assert all(part in whole for part, whole in zip(says, told, strict=True)), told


def test_one_device_under_two_names_is_warned_of(tmp_path: Path) -> None:
    """A table that was copied, and whose address was not changed: every point of it would read the first device."""
    rig = small_rig(tmp_path / "rig.toml", device=1502)
    copied = '[[device]]\nname = "plc2"\nhost = "127.0.0.1"\nport = 1502\ntimeout = "75 ms"\n\n[[brake]]'
    rig.write_text(rig.read_text().replace("[[brake]]", copied, 1))
    assert "warning: plc1 and plc2 are both unit 1 at 127.0.0.1:1502" in here("check", rig).stdout
    rig.write_text(rig.read_text().replace(copied, copied.replace("timeout", "unit = 2\ntimeout")))
    assert "plc2" not in warned(rig)


def warned(rig: Path) -> str:
    return "".join(line for line in here("check", rig).stdout.splitlines() if line.startswith("warning: "))


def test_a_unit_number_that_speaks_to_all_is_warned_of(tmp_path: Path) -> None:
    rig = small_rig(tmp_path / "rig.toml", device=1502)
    assert "unit" not in warned(rig)
    rig.write_text(rig.read_text().replace("port = 1502", "port = 1502\nunit = 0"))
    assert "plc1: unit = 0 speaks to all devices of a line at once: behind a gateway none of them answers" in warned(
        rig
    )


def test_a_level_on_a_card_of_both_signs_is_bounded_or_warned_of(tmp_path: Path) -> None:
    """With its wires exchanged it reads low, and no level alarm would ever come."""
    rig = small_rig(tmp_path / "rig.toml", device=1502)
    head, mark, tail = rig.read_text().partition('name = "aux-level"')
    rig.write_text(head + mark + tail.replace("[0, 1000]", "[0, 27648]", 1).replace("= 3", '= 3\ntype = "int16"', 1))
    assert "aux-level: whatever int16 holds counts as measured, down to -46.66 in" in warned(rig)
    rig.write_text(rig.read_text().replace('"int16"', '"int16"\nsensor-range = ["-20 mm", "1100 mm"]', 1))
    assert "aux-level" not in warned(rig)


@pytest.mark.parametrize(("every", "warns"), [(1, False), (5, False), (6, True)])
def test_a_button_that_is_seldom_looked_at_is_warned_of(tmp_path: Path, every: int, warns: bool) -> None:  # noqa: FBT001
    rig = small_rig(tmp_path / "rig.toml", device=1502, scan_ms=100)
    button = (
        '\n[[point]]\nname = "ack-button"\nrole = "push-acknowledge"\ndevice = "plc1"\ntable = "holding"\naddress = 5\n'
        f'type = "bit 0"\nsignal = {{ kind = "bit" }}\nevery = {every}\n'
    )
    rig.write_text(rig.read_text() + button)
    done = here("check", rig)
    assert done.returncode == 0, done.stderr
    assert ("ack-button: is read every 0.6 s, and a press that is shorter goes unseen" in done.stdout) == warns


def test_what_is_read_less_often_is_said_with_the_time_that_it_takes(tmp_path: Path) -> None:
    rig = small_rig(tmp_path / "rig.toml", device=1502)
    serial = 'transport = "rtu"\nserial = "/dev/ttyUSB0"\nbaud = 9600\nevery = 2'
    rig.write_text(rig.read_text().replace('host = "127.0.0.1"\nport = 1502', serial))
    said = here("check", rig).stdout
    assert "plc1: 1 request every 2 scans: holding 0..3; about 44.1 ms" in said
    rig.write_text(rig.read_text().replace("address = 0", "address = 0\nevery = 1"))
    assert re.search(
        "plc1: 1 request a scan: holding 0..0; about .*\nplc1: 1 request every 2 scans: ", here("check", rig).stdout
    )


def test_a_good_file_for_people() -> None:
    done = here("check", DEMO)
    assert (done.returncode, done.stderr) == (0, "")
    for words in (
        "rig rig-4, pad ninebark-2",
        "1 request a scan: input 0..11",
        "aux.cooling-flow-low",
        "75 gal/min",
        "160 degF",
        "0.3937 in *",
        "* a default that nobody entered for this rig",
        "lamp cooling (red): cooling-lost, cooling-flow-low, pump-stopped",
        "lamp watching (white)",
        "cannot be watched, because the rig file has no:",
        "  aux.water-lost           a point of role return-flow",
        "aux has no return-flow: the watch does without",
        "aux has no drum-speed: the watch does without torque index, duty from the drum and doubting at once a contact",
        "Nothing may be written",
        "No fault found.",
    ):
        assert words in done.stdout


def test_every_fault_at_once_with_its_line_as_json(bad: Path) -> None:
    done = here("check", bad, "--json")
    assert (done.returncode, done.stderr) == (2, "")
    said = json.loads(done.stdout)
    assert said.keys() == {"ok", "faults", "warnings", "reads", "alarms", "unwatched", "writes"}
    assert said["ok"] is False
    lines = bad.read_text().splitlines()
    for fault in said["faults"]:
        assert fault.keys() == {"file", "line", "key", "found", "allowed", "hint"}
        assert fault["file"] == str(bad)
        assert 1 <= fault["line"] <= len(lines)
        assert fault["found"]
        assert fault["allowed"]
    places = {(fault["key"].rpartition(".")[2], lines[fault["line"] - 1]) for fault in said["faults"]}
    for _, new, key in BAD:
        assert (key, new.splitlines()[-1]) in places
    near = next(fault for fault in said["faults"] if fault["found"] == "'inlet-temprature'")
    assert "inlet-temperature" in near["hint"]


def test_every_fault_at_once_for_people(bad: Path) -> None:
    done = here("check", bad)
    assert (done.returncode, done.stdout) == (2, "")
    *faults, close = done.stderr.splitlines()
    assert len(faults) >= len(BAD)
    assert close == f"{len(faults)} faults; nothing was started. Some checks wait until these are mended"
    assert all(line.startswith(f"{bad}:") and ": found " in line and "; allowed: " in line for line in faults)


@pytest.mark.parametrize("text", ["[rig\n", "a = 1\na = 2\n", 'x = "\x00"\n'])
def test_a_syntax_error_alone_with_its_line(tmp_path: Path, text: str) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(text)
    (fault,) = json.loads(here("check", rig, "--json").stdout)["faults"]
    assert (fault["key"], fault["line"]) == ("(syntax)", text.rstrip().count("\n") + 1)


def test_a_file_that_is_not_there_or_no_text(tmp_path: Path) -> None:
    (tmp_path / "noise.toml").write_bytes(b"\xff\xfe\x00")
    for rig in (tmp_path / "none.toml", tmp_path / "noise.toml", tmp_path):
        done = here("check", rig)
        assert done.returncode == 2
        assert str(rig) in done.stderr
        assert "Traceback" not in done.stderr


@pytest.mark.skipif(os.getuid() != 0, reason="only root may give up its right to pass over rights")
def test_a_file_that_may_not_be_read_is_told_with_what_mends_it(tmp_path: Path) -> None:
    rig = small_rig(tmp_path / "rig.toml", device=1502)
    rig.chmod(0)
    plain = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]
    words = [*plain, sys.executable, "-m", "brakewater", "check", str(rig)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "(as root, for the service: chgrp brakewater, chmod 0640)" in done.stderr


def test_every_commented_table_for_plcs_in_the_template_passes(tmp_path: Path) -> None:
    """A tech takes the hash off and nothing else."""
    text = (DEMO.parent / "template.toml").read_text()
    head, mark, tail = text.partition("# [registers]")
    assert mark
    rig = tmp_path / "rig.toml"
    rig.write_text(head + re.sub(r"^# (?=\[|[a-z-]+ = )", "", mark + tail, flags=re.MULTILINE))
    done = here("check", rig)
    assert (done.returncode, done.stderr) == (0, "")
    assert "may be written: plc1, unit 1, holding 401..406" in done.stdout
    assert "outstation on 127.0.0.1:1502 for 192.0.2.10/32" in done.stdout
    assert here("check", DEMO.parent / "template.toml").returncode == 0


def test_a_file_that_is_not_there_is_said_plainly(tmp_path: Path) -> None:
    done = here("check", tmp_path / "none.toml")
    assert done.returncode == 2
    assert "found no such file or folder; allowed: a readable UTF-8 TOML file" in done.stderr
    assert "Errno" not in done.stderr


def test_an_urgent_alarm_without_a_window_is_named_and_the_full_rigs_have_none(tmp_path: Path) -> None:
    full = DEMO.with_name("rig-4-full.toml")
    for file in (full, DEMO.with_name("rig-9-full.toml")):
        assert "only heard" not in here("check", file).stdout
    fewer = tmp_path / "rig.toml"
    fewer.write_text(full.read_text().replace('"return-restricted"]', "]"))
    (line,) = [line for line in here("check", fewer).stdout.splitlines() if "only heard" in line]
    assert line == "in no window, so only heard: aux.return-restricted"
