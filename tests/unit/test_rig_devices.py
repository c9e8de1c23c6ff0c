"""Devices of a rig file: what each transport takes, lines that are shared, holes, cadence and heartbeats."""

# ruff: noqa: E501 - the table reads best a row a line

import pytest

import streams
from brakewater.errors import Fault, RigFileError
from brakewater.rig import Device, Group, Rig, Table, parse

DEMO = streams.demo().text
PLC = DEMO[DEMO.index("[[device]]") : DEMO.index("[[point]]")]
SERIAL = 'name = "plc1"\ntransport = "rtu"\nserial = "/dev/ttyUSB0"'
SECOND = '\n[[device]]\nname = "rio1"\n'


def with_device(keys: str, more: str = "") -> str:
    return DEMO.replace(PLC, f'[[device]]\nname = "plc1"\n{keys}\n{more}\n')


def device(keys: str) -> Device:
    return parse(with_device(keys)).devices[0]


def faults(text: str) -> list[Fault]:
    with pytest.raises(RigFileError) as caught:
        parse(text, "rig.toml")
    return list(caught.value.faults)


GOOD = {
    'host = "plc"': "plc:502",
    'transport = "tls"\nhost = "plc"\nca = "ca.pem"': "plc:802",
    'transport = "tls"\nhost = "plc"\nport = 502\nca = "a"\ncertificate = "b"\nkey = "c"\nserver-name = "d"': "plc:502",
    'transport = "rtu"\nserial = "/dev/ttyS0"\nbaud = 9600\nparity = "none"\nstop-bits = 2\nframe-gap = "8 ms"\nturnaround = "300 ms"\necho = true': "/dev/ttyS0",
    'transport = "rtu-over-tcp"\nhost = "10.0.0.1"\nport = 4001\nbaud = 9600\nturnaround = "2 s"': "10.0.0.1:4001",
}


@pytest.mark.parametrize("keys", GOOD)
def test_each_transport_with_its_keys(keys: str) -> None:
    assert device(keys).line == GOOD[keys]


def test_what_a_line_has_where_the_file_says_nothing() -> None:
    """19,200 baud and even parity: MODBUS over Serial Line V1.02, 2.5.1.1 (from memory)."""
    serial = device('transport = "rtu"\nserial = "/dev/ttyS0"')
    assert (serial.baud, serial.parity, serial.stop_bits) == (19200, "even", 1)
    assert (serial.frame_gap, serial.turnaround, serial.echo) == (5_000_000, 1_000_000_000, False)


ONE = {
    # keys of the device, more of the file: key complained of, part of found, part of allowed
    ("", ""): ("device[0].host", "nothing", "'tcp' needs this key"),
    ('host = ""', ""): ("device[0].host", "nothing", "needs this key"),
    ('host = "a"\nbaud = 9600', ""): ("device[0].baud", "'tcp'", '"rtu" or "rtu-over-tcp"'),
    ('host = "a"\nca = "ca.pem"', ""): ("device[0].ca", "'tcp'", '"tls"'),
    ('transport = "rtu"\nserial = "/dev/ttyS0"\nhost = "a"', ""): ("device[0].host", "'rtu'", "rtu takes: serial, baud"),
    ('transport = "rtu"', ""): ("device[0].serial", "nothing", "'rtu' needs this key"),
    ('transport = "rtu"\nserial = "COM3"', ""): ("device[0].serial", "COM3", "/dev/ttyUSB0"),
    ('transport = "rtu"\nserial = "/dev/a"\nunit = 0', ""): ("device[0].unit", "0", "1 to 247"),
    ('transport = "rtu"\nserial = "/dev/a"\nbaud = 75', ""): ("device[0].baud", "75", "300"),
    ('transport = "rtu"\nserial = "/dev/a"\nparity = "mark"', ""): ("device[0].parity", "mark", "'none', 'even' or 'odd'"),
    ('transport = "rtu"\nserial = "/dev/a"\nstop-bits = 3', ""): ("device[0].stop-bits", "3", "1 or 2"),
    ('transport = "rtu-over-tcp"\nhost = "a"', ""): ("device[0].port", "nothing", "needs this key"),
    ('transport = "rtu-over-tcp"\nhost = "a"\nport = 4001\nparity = "odd"', ""): ("device[0].parity", "rtu-over-tcp", '"rtu" only'),
    ('transport = "tls"\nhost = "a"', ""): ("device[0].ca", "nothing", "'tls' needs this key"),
    ('transport = "tls"\nhost = "a"\nca = "b"\nkey = "c"', ""): ("device[0].key", "without a certificate", "both"),
    ('transport = "udp"\nhost = "a"', ""): ("device[0].transport", "udp", "'rtu-over-tcp' or 'tls'"),
    ('host = "a"\nholes = { input = [[9, 5]] }', ""): ("device[0].holes.input[0]", "[9, 5]", "the first and the last"),
    ('host = "a"\nholes = { inputs = [[5, 9]] }', ""): ("device[0].holes.inputs", "inputs", "'input'"),
    ('host = "a"\nholes = { input = [[5, 70000]] }', ""): ("device[0].holes.input[0][1]", "70000", "65535"),
    ('host = "a"\nholes = { input = [[5, 6]] }', ""): ("point[0].address", "input 6, in a hole of plc1", "outside"),
    ('host = "a"\nevery = 0', ""): ("device[0].every", "0", "1"),
    ('host = "a"\nevery = 2\ntimeout = "450 ms"', ""): ("device[0].timeout", "450 ms", "at most 400 ms: some of it is read every 2 scans"),
    ('host = "a"\nstuck-after = "5 s"', ""): ("device[0].stuck-after", "no heartbeat", 'role = "heartbeat"'),
    ('host = "a"', SECOND + 'transport = "tls"\nhost = "a"\nport = 502\nca = "b"'): ("device[1].transport", "'tls' at a:502, where device 'plc1' has 'tcp'", "the same"),
    ('transport = "rtu"\nserial = "/dev/a"', SECOND + 'transport = "rtu"\nserial = "/dev/a"\nbaud = 9600\nunit = 2'): ("device[1].baud", "9600 at /dev/a, where device 'plc1' has 19200", "share it"),
    ('transport = "rtu"\nserial = "/dev/a"', SECOND + 'transport = "rtu"\nserial = "/dev/a"\nturnaround = "2 s"\nunit = 2'): ("device[1].turnaround", "2000 ms at /dev/a", "share it"),
}  # fmt: skip


@pytest.mark.parametrize("given", ONE)
def test_one_thing_wrong(given: tuple[str, str]) -> None:
    key, found, allowed = ONE[given]
    text = with_device(*given)
    (fault,) = faults(text)
    assert fault.key == key
    assert found in fault.found
    assert allowed in fault.allowed
    assert fault.line > 1


def test_units_behind_one_line_share_it() -> None:
    keys = 'transport = "rtu"\nserial = "/dev/a"\nbaud = 9600'
    rig = parse(with_device(keys, f"{SECOND}{keys}\nunit = 2"))
    assert {one.line for one in rig.devices} == {"/dev/a"}


def test_holes_are_touched_from_both_ends() -> None:
    one = device('host = "a"\nholes = { input = [[100, 119]], coil = [[0, 0], [7, 9]] }')
    touched = [first for first in range(90, 125) if one.has_hole(Table.INPUT, first, 4)]
    assert (touched[0], touched[-1]) == (97, 119)
    assert [first for first in range(12) if one.has_hole(Table.COIL, first, 1)] == [0, 7, 8, 9]
    assert not one.has_hole(Table.HOLDING, 100, 20)


def test_a_scan_has_one_age_a_read_group() -> None:
    rig = streams.rich()
    assert rig.groups == (
        Group(device="plc1", every=1),
        Group(device="plc1", every=2),
        Group(device="rio1", every=5),
        Group(device="self", every=1),
    )
    of = {slot.point.name: rig.groups[slot.group] for slot in rig.slots}
    assert of["one-level-b"] == Group(device="plc1", every=2)
    assert of["tank"] == Group(device="rio1", every=5)
    assert of["self.lateness"] == rig.groups[-1]


def test_a_device_without_points_keeps_its_age() -> None:
    rig = parse(with_device('host = "a"', SECOND + 'host = "b"\nevery = 3'))
    assert rig.groups[1] == Group(device="rio1", every=3)


@pytest.mark.parametrize(("timeout", "every", "fits"), [("1 s", 5, True), ("1100 ms", 5, False), ("200 ms", 1, True)])
def test_a_slow_device_has_the_time_between_two_readings(timeout: str, every: int, fits: bool) -> None:  # noqa: FBT001 - the table's column
    text = with_device('host = "a"', f'{SECOND}host = "b"\nevery = {every}\ntimeout = "{timeout}"')
    if fits:
        parse(text)
    else:
        assert [fault.key for fault in faults(text)] == ["device[1].timeout"]


BEAT = '[[point]]\nname = "{}"\nrole = "heartbeat"\ndevice = "plc1"\ntable = "holding"\naddress = {}\nsignal = {{ kind = "direct", unit = "1" }}\n'


def beating(device_keys: str, *beats: str) -> str:
    return with_device(f'host = "a"\n{device_keys}', "".join(beats))


def test_a_heartbeat_and_its_time() -> None:
    rig: Rig = parse(beating('stuck-after = "3 s"', BEAT.format("beat", 0)))
    assert rig.devices[0].stuck_after == 3_000_000_000
    assert [rule.name for rule in rig.alarms if rule.kind.name == "device-stuck"] == ["device-stuck:plc1"]
    assert not [rule for rule in streams.demo().alarms if rule.kind.name == "device-stuck"]


def test_one_heartbeat_a_device() -> None:
    (fault,) = faults(beating("", BEAT.format("beat", 0), BEAT.format("beat-2", 1)))
    assert (fault.key, fault.allowed) == ("point[1].role", "one a device")


def test_a_heartbeat_must_be_met_three_times() -> None:
    (fault,) = faults(beating('stuck-after = "2 s"', BEAT.format("beat", 0) + "every = 5\n"))
    assert (fault.key, fault.found) == ("device[0].stuck-after", "2 s")
    assert "at least 3 s" in fault.allowed


def test_no_point_is_wider_than_one_answer() -> None:
    wide = faults(with_device('host = "a"\nmax-registers = 1'))
    assert [fault.key for fault in wide] == ["point[0].type", "point[1].type"]
    assert "float32, 2 registers, of plc1 with max-registers 1" in wide[0].found
    assert parse(with_device('host = "a"\nmax-registers = 2')).devices[0].max_registers == 2
