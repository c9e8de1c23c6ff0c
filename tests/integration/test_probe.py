"""``brakewater probe`` against foreign devices: its table, the four orders, wiring mistakes, the daemon's way."""

import asyncio
import json
import math
import random
import re
import struct
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from brakewater.cli import probe
from brakewater.quality import MEANINGS, Reason
from brokers import free_port, until
from daemons import daemon, here, small_rig
from faults import register_server
from faults.fault_server import Fault, FaultServer
from faults.lines import serial_line
from settable import Settable, settable, terminal

pytestmark = pytest.mark.integration

KEYS = {"point", "device", "table", "address", "words", "readings", "value", "unit", "quality", "reason", "suspects"}
"""What the contract names."""
TEMPERATURE = """
[[point]]
name = "tank-temperature"
role = "tank-temperature"
device = "plc1"
{keys}
"""


@pytest.fixture(scope="module")
def shared() -> Iterator[Settable]:
    with settable() as one:
        yield one


@pytest.fixture(autouse=True)
def quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Registers that a test sets stand still."""
    monkeypatch.setattr(probe, "_LOOK_S", 0.0)


@pytest.fixture
def device(shared: Settable) -> Settable:
    shared.forget()
    shared.put(0, 900, 250, 400, 300, *range(7001, 7040))
    shared.put(0, *range(5001, 5040), table="input")
    return shared


def rig_with(folder: Path, port: int, keys: str) -> Path:
    """The small rig with one more point, and with patience for a busy machine."""
    rig = small_rig(folder / "rig.toml", device=port, scan_ms=1000)
    rig.write_text(rig.read_text() + TEMPERATURE.format(keys=keys))
    return rig


def lines(said: str) -> dict[str, dict[str, Any]]:
    found = [json.loads(line) for line in said.splitlines()]
    return {one["point"]: one for one in found}


def float_words(x: float) -> tuple[int, int]:
    high, low = struct.unpack(">HH", struct.pack(">f", x))
    return high, low


FLOAT = 'table = "holding"\naddress = 20\ntype = "float32"\nsignal = { kind = "direct", unit = "degC" }'


def test_once_as_json_is_a_line_a_point(device: Settable, tmp_path: Path) -> None:
    device.put(20, *reversed(float_words(25.0)))
    rig = rig_with(tmp_path, device.port, FLOAT)
    done = here("probe", rig, "--once", "--json", "--record", tmp_path)
    found = lines(done.stdout)
    assert list(found) == ["tank-temperature", "aux-flow", "aux-inlet", "aux-outlet", "aux-level"]
    assert all(one.keys() >= KEYS for one in found.values())
    flow = found["aux-flow"]
    assert (flow["device"], flow["table"], flow["address"], flow["words"]) == ("plc1", "holding", 0, [900])
    assert (flow["value"], flow["unit"], flow["quality"], flow["reason"]) == (90.0, "gal/min", "good", "good")
    assert flow["suspects"] == []
    inlet = found["aux-inlet"]
    assert (inlet["value"], inlet["unit"]) == (77.0, "degF")  # 25.0 degC
    tank = found["tank-temperature"]
    assert tank["readings"]["low-first/high-first"] == 77.0
    assert tank["plausible"] == ["low-first/high-first"]
    assert tank["words"] == list(reversed(float_words(25.0)))
    assert done.returncode == 1  # it reads, and means nothing


def test_words_the_wrong_way_round_are_said_though_they_read_well(device: Settable, tmp_path: Path) -> None:
    """Swapped, a number of the trade comes out near nothing: as water at the freezing point, and good."""
    device.put(20, *reversed(float_words(29.51)))
    rig = rig_with(tmp_path, device.port, FLOAT)
    done = here("probe", rig, "--once", "--record", tmp_path)
    assert "32 degF" in done.stdout
    says = "tank-temperature: hardly in the order of the rig file (ABCD); plausible would be CDAB 85.118 degF"
    assert says in done.stdout
    assert done.returncode == 1
    device.put(20, *float_words(29.51))
    done = here("probe", rig, "--once", "--record", tmp_path)
    assert "hardly" not in done.stdout
    assert done.returncode == 0


def test_once_for_people(device: Settable, tmp_path: Path) -> None:
    device.put(20, *float_words(25.0))
    rig = rig_with(tmp_path, device.port, FLOAT)
    done = here("probe", rig, "--once", "--record", tmp_path)
    head, rule, *rows = done.stdout.splitlines()
    assert " ".join(head.split()) == "point at hex decimal ABCD BADC CDAB DCBA value quality reason ms ok/failed"
    assert set(rule) == {"-", " "}
    tank = next(row for row in rows if row.startswith("tank-temperature"))
    assert "plc1 holding 20  41C8 0000  16840 0  >77*" in tank
    assert "77 degF" in tank
    assert tank.endswith("1/0")
    assert "CDAB = low-first/high-first" in done.stdout
    assert "own lines; nothing is ever written" in done.stderr


def test_what_a_device_refuses_is_said_with_its_meaning(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """libmodbus' own server: registers of an even address hold it, beyond 9999 there are none."""
    program = register_server.build(tmp_path_factory.mktemp("made"))
    keys = 'table = "holding"\naddress = 10000\nsignal = { kind = "direct", unit = "degC" }'
    with register_server.device(program) as port:
        rig = rig_with(tmp_path, port, keys)
        done = here("probe", rig, "--once", "--json", "--record", tmp_path)
        said = here("probe", rig, "--once", "--record", tmp_path, "--point", "tank-temperature")
    found = lines(done.stdout)
    refused = found["tank-temperature"]
    assert (refused["words"], refused["readings"], refused["value"]) == ([], {}, None)
    assert (refused["quality"], refused["reason"], refused["status"]) == ("bad", "refused-by-device", "exception-2")
    assert found["aux-outlet"]["words"] == [2]
    assert done.returncode == 1
    assert "tank-temperature: The device has no such register: check table, address" in said.stdout


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("exception", 1), "does not know this function: check table"),
        (Fault("exception", 4), "look at the device itself"),
        (Fault("exception", 10), "The gateway has no way to this unit"),
        (Fault("exception", 11), "The gateway gets no answer from this unit"),
        (Fault("exception", 99), MEANINGS[Reason.REFUSED_BY_DEVICE].says),
        (Fault("silent"), "Nothing comes back in time: .* [(]silent: no answer[)]"),
        (Fault("late", 0.4), "later than its timeout: raise timeout.* after 4[0-9]{2} ms, and timeout is 75 ms"),
        (Fault("close"), "The device hangs up"),
        (Fault("other-unit"), "did not fit the question .*mismatch: unit 0 answered"),
    ],
    ids=lambda one: f"{one.kind}-{one.amount:g}" if isinstance(one, Fault) else "",
)
def test_how_a_device_fails_is_told_with_what_to_check(tmp_path: Path, fault: Fault, says: str) -> None:
    """Refused by a gateway, late, or in another's place: each is mended at another end of the cable."""

    async def once(*words: str) -> subprocess.CompletedProcess[str]:
        async with FaultServer() as server:
            server.script.extend([fault] * 40)
            rig = small_rig(tmp_path / "rig.toml", device=server.port, scan_ms=100)
            return await asyncio.to_thread(here, "probe", rig, "--point", "aux-flow", "--record", tmp_path, *words)

    done = asyncio.run(once("--once"))
    assert re.search(f"aux-flow: .*{says}", done.stdout), done.stdout
    assert done.returncode == 1


def test_a_unit_that_answers_wrongly_hides_none_behind_the_same_gateway(tmp_path: Path) -> None:
    second = '[[device]]\nname = "plc2"\nhost = "127.0.0.1"\nport = {port}\nunit = 2\ntimeout = "75 ms"\n\n[[brake]]'

    async def once() -> subprocess.CompletedProcess[str]:
        async with FaultServer() as server:
            server.faulty[2] = Fault("other-transaction")
            rig = small_rig(tmp_path / "rig.toml", device=server.port, scan_ms=100)
            text = rig.read_text() + TEMPERATURE.format(keys=FLOAT).replace("plc1", "plc2")
            rig.write_text(text.replace("[[brake]]", second.format(port=server.port), 1))
            return await asyncio.to_thread(here, "probe", rig, "--once", "--json", "--record", tmp_path)

    found = lines(asyncio.run(once()).stdout)
    assert next(iter(found)) == "tank-temperature", "read first"
    assert {name: one["status"] for name, one in found.items()} == {
        "tank-temperature": "mismatch", "aux-flow": "ok", "aux-inlet": "ok", "aux-outlet": "ok", "aux-level": "ok"
    }  # fmt: skip


def test_nothing_to_rank_is_said_with_the_reason(tmp_path: Path) -> None:
    async def expecting() -> subprocess.CompletedProcess[str]:
        async with FaultServer() as server:
            server.script.extend([Fault("exception", 11)] * 40)
            rig = small_rig(tmp_path / "rig.toml", device=server.port, scan_ms=100)
            words = ("--point", "aux-flow", "--expect", "75 gal/min", "--record", tmp_path)
            return await asyncio.to_thread(here, "probe", rig, *words)

    done = asyncio.run(expecting())
    assert done.returncode == 3
    assert "neither here nor in the other table: The gateway gets no answer from this unit" in done.stderr


def test_a_device_that_is_not_there(tmp_path: Path) -> None:
    rig = small_rig(tmp_path / "rig.toml", device=free_port())
    done = here("probe", rig, "--once", "--json", "--record", tmp_path)
    assert {one["reason"] for one in lines(done.stdout).values()} == {"no-answer"}
    assert done.returncode == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--point", "aux-flaw"), 'did you mean "aux-flow"?'),
        (("--expect", "75 gal/min"), "--expect"),
        (("--expect", "aux-flow=75"), "without a unit"),
        (("--expect", "aux-flow=9 degF"), "gal/min"),
        (("--expect", "aux-flow=75 gal/min", "--tolerance", "0 %"), "--tolerance"),
        (("--expect", "aux-flow=75 gal/min", "--expect", "aux-flow=80 gal/min"), "--levels"),
        (("--units", "1-300"), "--units"),
    ],
)
def test_bad_arguments(tmp_path: Path, words: tuple[str, ...], says: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", StringIO())
    rig = small_rig(tmp_path / "rig.toml", device=free_port())
    done = here("probe", rig, "--once", "--record", tmp_path, *words)
    assert done.returncode == 2
    assert says in done.stderr


# ---- what is known to be true


@dataclass(frozen=True, kw_only=True)
class Truth:
    """How a foreign device really gives tank-temperature, whatever the rig file says."""

    keys: str
    """Of the rig file."""
    write: Callable[[Settable, float], None]
    """Shows a temperature in degC."""
    mend: list[str] = field(default_factory=list)
    more: tuple[str, ...] = ()


Write = Callable[[Settable, float], None]


def counts(low: int, high: int) -> Callable[[float], int]:
    return lambda degc: round(low + (high - low) * degc / 100)


def shows(address: int, count: Callable[[float], int], table: str = "input", unit: int = 1) -> Write:
    def write(device: Settable, degc: float) -> None:
        device.put(address, count(degc) & 0xFFFF, table=table, unit=unit)

    return write


def shows_float(address: int, *, words_low: bool = False, bytes_low: bool = False) -> Write:
    def write(device: Settable, degc: float) -> None:
        words = [word if not bytes_low else (word & 0xFF) << 8 | word >> 8 for word in float_words(degc)]
        device.put(address, *(reversed(words) if words_low else words))

    return write


LOOP = """table = "input"
address = 20
type = "{kind}"
signal = {{ kind = "current-loop", raw = [{low}, {high}], range = ["0 degC", "100 degC"] }}"""
TENTHS = """table = "input"
address = 20
type = "uint16"
signal = { kind = "linear", raw = [-400, 1400], range = ["-40 degC", "140 degC"] }"""
INT16 = LOOP.format(kind="int16", low=0, high=27648)
UINT16 = LOOP.format(kind="uint16", low=0, high=27648)
CARD = counts(0, 27648)

TRUTHS = {
    "as written": Truth(keys=INT16, write=shows(20, CARD)),
    "swapped words": Truth(keys=FLOAT, write=shows_float(20, words_low=True), mend=['words = "low-first"']),
    "swapped bytes": Truth(keys=FLOAT, write=shows_float(20, bytes_low=True), mend=['bytes = "low-first"']),
    "off by one": Truth(keys=INT16, write=shows(19, CARD), mend=["address = 19"]),
    "off by one, up": Truth(keys=INT16, write=shows(21, CARD), mend=["address = 21"]),
    "wrong table": Truth(keys=INT16, write=shows(20, CARD, table="holding"), mend=['table = "holding"']),
    "wrong unit": Truth(keys=INT16, write=shows(20, CARD, unit=7), mend=["unit = 7"], more=("--units", "1-10")),
    "signed for unsigned": Truth(
        keys=LOOP.format(kind="int16", low=0, high=65535), write=shows(20, counts(0, 65535)), mend=['type = "uint16"'],
    ),
    "4000-20000": Truth(keys=INT16, write=shows(20, counts(4000, 20000)), mend=["raw = [4000, 20000]"]),
    "6400-32000": Truth(keys=INT16, write=shows(20, counts(6400, 32000)), mend=["raw = [6400, 32000]"]),
    "0-32767": Truth(keys=INT16, write=shows(20, counts(0, 32767)), mend=["raw = [0, 32767]"]),
    "0-65535": Truth(keys=UINT16, write=shows(20, counts(0, 65535)), mend=["raw = [0, 65535]"]),
    "0-10000": Truth(keys=INT16, write=shows(20, counts(0, 10000)), mend=["raw = [0, 10000]"]),
    "819-4095": Truth(keys=INT16, write=shows(20, counts(819, 4095)), mend=["raw = [819, 4095]"]),
    "6553-32767": Truth(keys=INT16, write=shows(20, counts(6553, 32767)), mend=["raw = [6553.4, 32767]"]),
}  # fmt: skip


def probed(rig: Path, record: Path, degc: float, *more: str) -> dict[str, Any]:
    words = ("--point", "tank-temperature", "--expect", f"{degc} degC", "--levels", record / "levels.json", "--json")
    done = here("probe", rig, *words, "--record", record, *more)
    assert done.returncode in (0, 1), done.stderr
    (found,) = lines(done.stdout).values()
    assert done.returncode == int(found["verdict"] != "as-written" or found["quality"] == "bad")
    return found


def test_what_answers_nothing_is_not_ranked(tmp_path: Path) -> None:
    rig = rig_with(tmp_path, free_port(), FLOAT)
    done = here("probe", rig, "--point", "tank-temperature", "--expect", "25 degC", "--record", tmp_path)
    assert done.returncode == 3
    assert "tank-temperature: nothing could be read around it from plc1, asked several times" in done.stderr
    assert "usual mistakes" not in done.stdout


@pytest.mark.parametrize("truth", TRUTHS.values(), ids=TRUTHS.keys())
def test_two_levels_name_the_true_mistake(device: Settable, tmp_path: Path, truth: Truth) -> None:
    """Two runs, a level each, as a tech with a calibrator would."""
    rig = rig_with(tmp_path, device.port, truth.keys)
    truth.write(device, 21.3)
    probed(rig, tmp_path, 21.3, *truth.more)
    truth.write(device, 84.6)
    found = probed(rig, tmp_path, 84.6, *truth.more)
    first = found["suspects"][0]
    assert found["verdict"] == ("found" if truth.mend else "as-written"), found["suspects"]
    assert truth.mend in [first["mend"], *first["same"]]
    assert max(abs(one) for one in first["residuals"]) < 0.9
    assert (first["fits"], first["cannot_tell"]) == (True, False)


def test_cannot_tell_says_which_level_would_and_that_level_does(device: Settable, tmp_path: Path) -> None:
    """Tenths of a degree: above zero signed and unsigned are one."""
    rig = rig_with(tmp_path, device.port, TENTHS)
    write = shows(20, lambda degc: round(degc * 10))
    for degc in (20.0, 80.0):
        write(device, degc)
        found = probed(rig, tmp_path, degc)
    assert found["verdict"] == "cannot-tell"
    (rival,) = [one for one in found["suspects"] if one["mend"] == ['type = "int16"']]
    assert rival["cannot_tell"] is True
    third = (rival["apart_at"] - 32) / 1.8
    assert third < 0
    write(device, round(third, 1))
    found = probed(rig, tmp_path, round(third, 1))
    assert (found["verdict"], found["suspects"][0]["mend"]) == ("found", ['type = "int16"'])


def test_what_is_found_in_words(device: Settable, tmp_path: Path) -> None:
    rig = rig_with(tmp_path, device.port, INT16)
    shows(20, counts(0, 32767))(device, 84.6)
    done = here("probe", rig, "--expect", "tank-temperature=84.6 degC", "--record", tmp_path)
    assert "tank-temperature: the rig file should say: raw = [0, 32767]" in done.stdout
    shows(20, counts(0, 32767))(device, 0.5)
    done = here("probe", rig, "--expect", "tank-temperature=0.5 degC", "--record", tmp_path)
    assert "tank-temperature: cannot tell; most likely: as the rig file has it" in done.stdout
    assert "raw = [0, 32767]: to tell it apart, move only this signal to" in done.stdout
    assert done.returncode == 1


def test_a_signal_that_moves_is_not_blamed_on_its_range(
    device: Settable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Read a little late: 118.5 % of what was true, as a wrong range would give it, but on its way."""
    rig = rig_with(tmp_path, device.port, INT16)
    left = [57.0, 54.0, 51.0]
    write = shows(20, counts(0, 27648))

    def later(_seconds: float) -> None:
        if left:
            write(device, left.pop(0))

    monkeypatch.setattr(probe, "time", SimpleNamespace(sleep=later))
    write(device, 50.0 * 32767 / 27648)
    done = here("probe", rig, "--expect", "tank-temperature=50 degC", "--record", tmp_path)
    assert re.search("tank-temperature: cannot tell: the signal moved by 1[0-9.]+ degF while it was read", done.stdout)
    assert "should say" not in done.stdout
    left[:] = [50.0 * 32767 / 27648] * 3
    write(device, left[0])
    done = here("probe", rig, "--expect", "tank-temperature=50 degC", "--record", tmp_path)
    assert "most likely: raw = [0, 32767]" in done.stdout  # it stands still: a range it is
    assert "moved" not in done.stdout


def test_a_wave_at_its_turn_is_not_blamed_on_its_range(
    device: Settable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flow behind a piston pump or a hunting valve: read where it turns, it hardly moves for a second."""
    rig = rig_with(tmp_path, device.port, INT16)
    write, looks = shows(20, counts(0, 27648)), [0]

    def later(_seconds: float) -> None:
        looks[0] += 1
        write(device, 50.0 + 9.26 * math.cos(2 * math.pi * looks[0] * 0.3 / 6.0))

    monkeypatch.setattr(probe, "time", SimpleNamespace(sleep=later))
    write(device, 59.26)
    done = here("probe", rig, "--expect", "tank-temperature=50 degC", "--record", tmp_path)
    assert "tank-temperature moves: it is looked at for" in done.stderr
    assert re.search("tank-temperature: cannot tell: the signal moved by (2[89]|3[0-9])", done.stdout), done.stdout
    assert "should say" not in done.stdout


def test_noise_does_not_hide_a_wrong_range(device: Settable, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = rig_with(tmp_path, device.port, INT16)
    write, chance = shows(20, counts(0, 32767)), random.Random(3)
    monkeypatch.setattr(probe, "time", SimpleNamespace(sleep=lambda _s: write(device, 60.0 + chance.gauss(0.0, 0.4))))
    write(device, 60.0)
    done = here("probe", rig, "--expect", "tank-temperature=60 degC", "--record", tmp_path)
    assert "should say: raw = [0, 32767]" in done.stdout, done.stdout


def test_a_tolerance_as_a_share_leaves_out_only_what_has_no_range(device: Settable, tmp_path: Path) -> None:
    device.put(20, *float_words(25.0))
    rig = rig_with(tmp_path, device.port, FLOAT)
    words = ("--expect", "tank-temperature=25 degC", "--expect", "aux-inlet=25 degC", "--tolerance", "2 %")
    done = here("probe", rig, *words, "--record", tmp_path)
    assert "tank-temperature has no range to take '2 %' of" in done.stderr
    assert "aux-inlet: reads as expected" in done.stdout
    assert "tank-temperature: " not in done.stdout
    assert done.returncode == 1
    done = here("probe", rig, *words[:2], *words[4:], "--record", tmp_path)
    assert (done.returncode, "has no range" in done.stderr) == (2, True)


def test_levels_of_another_definition_do_not_count(device: Settable, tmp_path: Path) -> None:
    """The rig file was mended between two runs: what was read before stands for another question."""
    rig = rig_with(tmp_path, device.port, INT16)
    shows(20, counts(0, 32767))(device, 84.6)
    probed(rig, tmp_path, 84.6)
    rig.write_text(rig.read_text().replace("raw = [0, 27648]", "raw = [0, 32767]"))
    found = probed(rig, tmp_path, 84.6)
    assert found["verdict"] == "as-written"
    assert len(found["suspects"][0]["residuals"]) == 1
    (tmp_path / "levels.json").write_text("{}")
    done = here("probe", rig, "--point", "aux-flow", "--expect", "1 gal/min", "--levels", tmp_path / "levels.json")
    assert done.returncode == 3


HOLES = """[device.holes]
input = [[21, 22]]
holding = [[0, 500]]
"""


def test_holes_are_never_read(device: Settable, tmp_path: Path) -> None:
    rig = rig_with(tmp_path, device.port, INT16)
    text = re.sub(r"address = (\d)\n", r"address = 60\1\n", rig.read_text())
    rig.write_text(text.replace("[[brake]]", HOLES + "\n[[brake]]", 1))
    probed(rig, tmp_path, 20.0)
    touched = {(table, at) for _, table, first, count in device.reads for at in range(first, first + count)}
    assert ("input", 19) in touched
    assert not touched & {("input", 21), ("input", 22), *(("holding", at) for at in range(501))}


# ---- at a terminal


def test_the_live_table_on_a_terminal(device: Settable, tmp_path: Path) -> None:
    """It follows the device, and Ctrl-C is its end."""
    rig = small_rig(tmp_path / "rig.toml", device=device.port)
    with terminal("probe", rig, "--record", tmp_path) as one:
        one.expect("90 gal/min")
        device.put(0, 611)
        one.expect("61.1 gal/min")
        assert "Ctrl-C ends" in one.said
        one.interrupt()
        assert one.end() == 0
    assert "Traceback" not in one.said


def test_two_levels_at_a_terminal(device: Settable, tmp_path: Path) -> None:
    rig = rig_with(tmp_path, device.port, INT16)
    write = shows(21, CARD)
    write(device, 20.0)
    words = ("--point", "tank-temperature", "--expect", "20 degC", "--expect", "80 degC")
    with terminal("probe", rig, "--record", tmp_path, *words) as one:
        one.expect("now bring tank-temperature = 80 degC about, then press Enter")
        write(device, 80.0)
        one.type("")
        one.expect("the rig file should say: address = 21")
        assert one.end() == 1


# ---- through the daemon


def reads(rig: Path, record: Path, degf: float) -> bool:
    done = here("probe", rig, "--once", "--json", "--record", record)
    return abs(float(lines(done.stdout)["tank-temperature"]["value"]) - degf) < 0.01


def test_a_running_daemon_is_asked_and_no_second_line_is_opened(device: Settable, tmp_path: Path) -> None:
    rig, record = rig_with(tmp_path, device.port, INT16), tmp_path / "record"
    write = shows(20, CARD)
    write(device, 50.0)
    with daemon(rig, record) as watch:
        done = here("probe", rig, "--once", "--json", "--record", record)
        assert "through the running daemon" in done.stderr
        tank = lines(done.stdout)["tank-temperature"]
        assert tank["words"] == [13824]
        assert tank["value"] == 122.0  # 50 degC
        assert (tank["answer_s"], tank["reason"]) == (None, "good")
        assert 0 <= tank["age_s"] < 5
        for degc in (20.0, 80.0):
            write(device, degc)
            until(partial(reads, rig, record, degc * 1.8 + 32))
            found = probed(rig, tmp_path, degc, "--record", str(record))
        assert (found["verdict"], found["suspects"][0]["mend"]) == ("as-written", [])
        assert len(device.clients) == 1
        assert watch.status()["devices"]["plc1"]["status"] == "ok"
        mended = tmp_path / "mended.toml"
        mended.write_text(rig.read_text().replace("address = 20", "address = 21"))
        done = here("probe", mended, "--once", "--json", "--record", record, "--point", "tank-temperature")
        assert lines(done.stdout)["tank-temperature"]["words"] == [5022]
        assert len(device.clients) == 1
        refused = here("probe", rig, "--expect", "aux-flow=9 gal/min", "--units", "1-3", "--record", record)
        assert refused.returncode == 3
        assert "stop it first" in refused.stderr
        elsewhere = tmp_path / "elsewhere.toml"
        elsewhere.write_text(rig.read_text().replace('host = "127.0.0.1"', 'host = "127.0.0.1"\nunit = 9'))
        refused = here("probe", elsewhere, "--once", "--record", record)
        assert refused.returncode == 3
        assert "brakewater reload" in refused.stderr
        assert watch.end() == 0
    assert len(device.clients) == 1


def test_a_daemon_of_another_rig_is_not_asked(device: Settable, tmp_path: Path) -> None:
    rig, record = small_rig(tmp_path / "rig.toml", device=device.port), tmp_path / "record"
    other = tmp_path / "other.toml"
    other.write_text(rig.read_text().replace('"rig-9"', '"rig-7"'))
    with daemon(rig, record):
        done = here("probe", other, "--once", "--json", "--record", record)
    assert "watches rig-9, not rig-7: using own lines" in done.stderr
    assert lines(done.stdout)["aux-flow"]["answer_s"] > 0


def test_a_serial_line_of_our_own(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """libmodbus as an RTU slave; registers of an even address hold it."""
    program = register_server.build(tmp_path_factory.mktemp("made"))
    with serial_line(tmp_path) as line, register_server.slave(program, line.there, 5):
        rig = small_rig(tmp_path / "rig.toml", device=1)
        serial = f'transport = "rtu"\nserial = "{line.here}"\nparity = "none"\nbaud = 115200\nunit = 5\n'
        text = rig.read_text().replace('host = "127.0.0.1"\nport = 1\n', serial).replace('timeout = "75 ms"', "")
        rig.write_text(re.sub(r"address = (\d)\n", r"address = 20\1\n", text).replace('"100 ms"', '"1 s"'))
        done = here("probe", rig, "--once", "--json", "--record", tmp_path)
    assert done.stderr.startswith("reading through own lines"), done.stderr
    found = lines(done.stdout)
    assert found["aux-flow"]["words"] == [200]
    assert found["aux-outlet"]["words"] == [202]
    assert found["aux-outlet"]["answer_s"] > 0
