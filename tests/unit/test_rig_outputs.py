"""The rig file's [registers] and [[lamp-mailbox]], good and bad."""

import pytest

from brakewater.errors import RigFileError
from rig_parts import demo_rig

MAILBOX = '\n[[lamp-mailbox]]\ndevice = "plc1"\naddress = 100\ncount = 12\nsignature = 0xB4A7\n'
HOLDING = (
    '\n[[point]]\nname = "aux-beat"\nrole = "heartbeat"\ndevice = "plc1"\ntable = "{table}"\naddress = {address}\n'
    'type = "uint32"\nsignal = {{ kind = "direct", unit = "1" }}\n'
)
OTHER_NAME = '\n[[device]]\nname = "plc2"\nhost = "127.0.0.1"\nport = 1502\nunit = 1\ntimeout = "100 ms"\n'


def faults(more: str) -> list[str]:
    with pytest.raises(RigFileError) as refused:
        demo_rig(more=more)
    return [f"{fault.key}: {fault.found}; {fault.allowed}" for fault in refused.value.faults]


def test_nothing_goes_out_unasked() -> None:
    rig = demo_rig()
    assert rig.registers is None
    assert rig.mailboxes == ()
    assert not [rule for rule in rig.alarms if rule.name == "lamp-write-failed"]


def test_defaults_let_in_nobody_but_this_machine() -> None:
    table = demo_rig(more='\n[registers]\nhost = "192.0.2.10"\n').registers
    assert table is not None
    assert (table.host, table.port, table.unit, table.allow, table.actor) == (
        "192.0.2.10", 1502, 1, ("127.0.0.1/32",), "outstation",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("port = 502", "registers.host: nothing"),
        ('host = "plc-net"', "registers.host: 'plc-net'; an IP address of this machine"),
        ('host = "127.0.0.1"\nallow = ["192.0.2.7/24"]', "registers.allow: '192.0.2.7/24' (192.0.2.7/24 has host"),
        ('host = "127.0.0.1"\nallow = []', "registers.allow: an empty list"),
        ('host = "127.0.0.1"\nalow = []', "registers.alow: an unknown key"),
        ('host = "127.0.0.1"\nport = 0', "registers.port: 0"),
    ],
)
def test_a_bad_outstation_is_refused(table: str, says: str) -> None:
    assert faults(f"\n[registers]\n{table}\n")[0].startswith(says)


def test_more_lamps_than_places_are_refused() -> None:
    lamps = "".join(f'\n[[lamp]]\nname = "l{at}"\nalarms = ["cooling-lost"]\n' for at in range(28))
    assert faults(f'{lamps}\n[registers]\nhost = "127.0.0.1"\n') == [
        "registers: 32 [[lamp]] tables; up to 31: the outstation has no more places"
    ]


def test_a_mailbox_brings_its_alarm_and_its_own_point() -> None:
    rig = demo_rig(more=MAILBOX)
    (mailbox,) = rig.mailboxes
    assert (mailbox.first, mailbox.last, mailbox.refresh) == (101, 111, 1_000_000_000)
    assert "self.lamp-writes" in [point.name for point in rig.points]
    assert "rig.lamp-write-failed" in [rule.key for rule in rig.alarms]


@pytest.mark.parametrize("address", [99, 100, 101, 111])
def test_a_mailbox_that_is_also_read_is_refused(address: int) -> None:
    found = faults(MAILBOX + HOLDING.format(table="holding", address=address))
    assert len(found) == 1
    assert found[0].startswith("lamp-mailbox[0].address: holding 1")
    assert "which point 'aux-beat' has too" in found[0]


@pytest.mark.parametrize(("table", "address"), [("holding", 98), ("holding", 112), ("input", 100)])
def test_a_mailbox_beside_points_is_taken(table: str, address: int) -> None:
    assert demo_rig(more=MAILBOX + HOLDING.format(table=table, address=address)).mailboxes


def test_one_server_by_two_names_is_one_server() -> None:
    point = HOLDING.format(table="holding", address=105).replace("plc1", "plc2")
    assert "holding 105 of plc1, which point 'aux-beat' has too" in faults(OTHER_NAME + MAILBOX + point)[0]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("count = 12", "count = 8", "lamp-mailbox[0].count: 8; 9 or more"),
        ("count = 12", "count = 125", "lamp-mailbox[0].count: 125"),
        ("address = 100", "address = 65530", "lamp-mailbox[0].address: address 65530 (12 registers)"),
        ("signature = 0xB4A7", "signature = 0", "lamp-mailbox[0].signature: 0"),
        ("signature = 0xB4A7", "signature = 0xFFFF", "lamp-mailbox[0].signature: 65535"),
        ("signature = 0xB4A7", "", "lamp-mailbox[0].signature: nothing"),
        ('"plc1"', '"plc7"', "lamp-mailbox[0].device: 'plc7'; plc1"),
        ("count = 12", 'count = 12\nrefresh = "20 ms"', "lamp-mailbox[0].refresh: 0.02 s"),
    ],
)
def test_a_bad_mailbox_is_refused(old: str, new: str, says: str) -> None:
    assert faults(MAILBOX.replace(old, new))[0].startswith(says)


def test_two_mailboxes_may_not_overlap() -> None:
    assert faults(MAILBOX + MAILBOX.replace("100", "111"))[0].startswith(
        "lamp-mailbox[1].address: holding 111 of plc1, which lamp mailbox 1 has too"
    )


def test_a_serial_line_has_one_master() -> None:
    line = '\n[[device]]\nname = "rio1"\ntransport = "rtu"\nserial = "/dev/ttyUSB0"\ntimeout = "100 ms"\n'
    found = faults(line + MAILBOX.replace("plc1", "rio1"))
    assert "lamp-mailbox[0].device: 'rio1', whose transport is 'rtu'" in found[0]
