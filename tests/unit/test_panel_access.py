"""Who may what at the panel: PINs, stations, sessions, and tries that are wrong."""

import json
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest

from brakewater.errors import StorageError
from brakewater.panel import access as access_module
from brakewater.panel import pins
from brakewater.panel.access import SESSION_S, STATION_DOES, Access, Kind
from brakewater.panel.pins import hashed, matches
from brakewater.panel.stations import FILE, address, invite, pair, station_of
from brakewater.rig.panel import Panel
from brakewater.rig.people import MAY

CHEAP = "scrypt$2$1$1$"
# RFC 7914 section 12: scrypt("password", "NaCl", N=1024, r=8, p=16), the first 32 of its 64 bytes (PBKDF2's output
# is cut, not changed, by a shorter length within its first blocks).
RFC_7914 = "scrypt$1024$8$16$4e61436c$fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"


class Clock:
    """Steady time that a test moves."""

    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    one = Clock()
    monkeypatch.setattr(access_module, "monotonic", one)
    return one


@pytest.fixture
def kept(monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(pins, "_N", 256)  # a cheap one
    return hashed("2718")


@pytest.fixture
def access(tmp_path: Path, kept: str, clock: Clock) -> Access:
    assert clock.s  # it stands before the first log-in
    return Access(folder=tmp_path, station_actor="driller", pins={"engineer": kept})


def test_a_pin_is_kept_as_scrypt_of_the_standard() -> None:
    assert matches("password", RFC_7914)
    assert not matches("Password", RFC_7914)


def test_the_same_pin_is_kept_differently_each_time(kept: str) -> None:
    assert matches("2718", kept)
    assert not matches("4712", kept)
    assert hashed("2718") != kept
    assert "2718" not in kept


@pytest.mark.parametrize(
    "kept", ["", "2718", "scrypt$1$1$1$00$00", f"scrypt${1 << 30}$8$1$00$00", "scrypt$2$99$1$00$00", CHEAP + "zz$00"]
)
def test_what_is_no_hash_is_refused_not_believed(kept: str) -> None:
    with pytest.raises(ValueError):
        matches("2718", kept)


def test_a_code_makes_one_browser_a_station_and_no_second(tmp_path: Path) -> None:
    code = invite(tmp_path, "doghouse")
    paired = pair(tmp_path, code)
    assert paired is not None
    name, token = paired
    assert (name, station_of(tmp_path, token)) == ("doghouse", "doghouse")
    assert pair(tmp_path, code) is None
    assert pair(tmp_path, token) is None
    assert station_of(tmp_path, code) is None


def test_neither_code_nor_token_stands_in_the_file_and_only_its_owner_reads_it(tmp_path: Path) -> None:
    code = invite(tmp_path, "doghouse")
    assert code not in (tmp_path / FILE).read_text()
    _, token = pair(tmp_path, code) or ("", "")
    assert token not in (tmp_path / FILE).read_text()
    assert stat.S_IMODE((tmp_path / FILE).stat().st_mode) == 0o600


def test_a_new_code_cuts_off_the_station_of_that_name_only(tmp_path: Path) -> None:
    _, one = pair(tmp_path, invite(tmp_path, "doghouse")) or ("", "")
    _, other = pair(tmp_path, invite(tmp_path, "shaker")) or ("", "")
    invite(tmp_path, "doghouse")
    assert station_of(tmp_path, one) is None
    assert station_of(tmp_path, other) == "shaker"


@pytest.mark.parametrize("damage", ["{", "[]", '{"doghouse": 5}'])
def test_a_damaged_file_of_stations_is_said_and_opens_nothing(tmp_path: Path, damage: str) -> None:
    (tmp_path / FILE).write_text(damage)
    with pytest.raises(StorageError, match="pair the stations again"):
        station_of(tmp_path, "anything")


def test_the_address_keeps_its_code_out_of_any_log() -> None:
    assert address(Panel(), "abc") == "http://127.0.0.1:8420/pair#abc"
    assert address(Panel(host="::1"), "abc") == "http://[::1]:8420/pair#abc"
    tls = Panel(host="192.0.2.10", names=("rig-4",), certificate="a.pem", key="b.pem")
    assert address(tls, "abc") == "https://rig-4:8420/pair#abc"


def test_a_station_pushes_the_buttons_and_no_more(access: Access, tmp_path: Path) -> None:
    _, token = pair(tmp_path, invite(tmp_path, "doghouse")) or ("", "")
    visitor = access.visitor(None, token)
    assert visitor is not None
    assert (visitor.kind, visitor.actor) == (Kind.STATION, "driller")
    assert {do for do in (*STATION_DOES, "shelve", "set", "substitute", "note") if visitor.may(do)} == STATION_DOES


def test_what_a_station_may_is_what_a_driller_may() -> None:
    assert set(MAY["driller"]) >= STATION_DOES


def test_a_station_is_one_for_ever_a_session_is_not(access: Access, tmp_path: Path, clock: Clock) -> None:
    _, token = pair(tmp_path, invite(tmp_path, "doghouse")) or ("", "")
    session = access.log_in("engineer", "2718", "192.0.2.1")
    person = access.visitor(session, None)
    assert person is not None
    assert (person.kind, person.actor, person.may("set")) == (Kind.PERSON, "engineer", True)
    clock.s += SESSION_S + 1
    assert access.visitor(session, None) is None
    assert access.visitor(session, token) is not None


def test_who_brings_nothing_or_something_forged_is_nobody(access: Access) -> None:
    for session, station in ((None, None), ("", ""), ("forged", "forged"), ("x" * 4096, None)):
        assert access.visitor(session, station) is None


def test_logged_out_is_out(access: Access) -> None:
    session = access.log_in("engineer", "2718", "192.0.2.1")
    access.log_out(session)
    access.log_out(None)
    assert access.visitor(session, None) is None


def test_five_wrong_pins_lock_the_name_and_the_place_for_a_while(access: Access, clock: Clock) -> None:
    for _ in range(5):
        assert access.log_in("engineer", "wrong", "192.0.2.1") is None
    assert access.log_in("engineer", "2718", "192.0.2.1") is None
    assert access.log_in("engineer", "2718", "192.0.2.2") is None, "the name is locked from everywhere"
    clock.s += 31
    assert access.log_in("engineer", "2718", "192.0.2.1") is not None


def test_five_wrong_pins_from_one_place_lock_it_whatever_the_name_and_no_other(access: Access) -> None:
    for number in range(5):
        assert access.log_in(f"name {number}", "wrong", "192.0.2.1") is None
    assert access.log_in("engineer", "2718", "192.0.2.1") is None
    assert access.log_in("engineer", "2718", "192.0.2.2") is not None


def test_after_a_lock_there_are_five_tries_again_and_a_right_pin_forgets_the_wrong_ones(
    access: Access, clock: Clock
) -> None:
    for _ in range(5):
        access.log_in("engineer", "wrong", "192.0.2.1")
    clock.s += 31
    for _ in range(2):
        for _ in range(4):
            assert access.log_in("engineer", "wrong", "192.0.2.1") is None
        assert access.log_in("engineer", "2718", "192.0.2.1") is not None


def test_who_logs_in_ends_nobody_elses_session_but_those_that_are_over(access: Access, clock: Clock) -> None:
    first = access.log_in("engineer", "2718", "192.0.2.1")
    clock.s += SESSION_S - 1
    access.log_in("engineer", "2718", "192.0.2.2")
    assert access.visitor(first, None) is not None
    clock.s += 2
    access.log_in("engineer", "2718", "192.0.2.3")
    assert access.visitor(first, None) is None
    assert len(access._sessions) == 2


def test_many_at_once_try_no_more_than_five_pins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one = Access(folder=tmp_path, station_actor="driller", pins={"engineer": hashed("2718")})
    tried: list[str] = []

    def counted(pin: str, kept: str) -> bool:
        tried.append(pin)
        return matches(pin, kept)

    monkeypatch.setattr(access_module, "matches", counted)
    together = Barrier(20)

    def log_in(number: int) -> str | None:
        together.wait(10)
        return one.log_in("engineer", f"{number:04d}", f"192.0.2.{number}")

    with ThreadPoolExecutor(20) as pool:
        assert list(pool.map(log_in, range(20))) == [None] * 20
    assert len(tried) == 5


def test_an_unknown_name_is_refused_like_a_wrong_pin(access: Access) -> None:
    assert access.log_in("nobody", "", "192.0.2.1") is None
    assert access.log_in("nobody", "2718", "192.0.2.1") is None


def test_a_station_s_lamp_test_needs_no_session_when_log_ins_are_locked(access: Access, tmp_path: Path) -> None:
    _, token = pair(tmp_path, invite(tmp_path, "doghouse")) or ("", "")
    for _ in range(6):
        access.log_in("engineer", "wrong", "127.0.0.1")
    visitor = access.visitor(None, token)
    assert visitor is not None
    assert visitor.may("acknowledge")


def test_sessions_and_tries_do_not_grow_without_end(access: Access, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(access_module, "matches", lambda pin, _kept: pin == "2718")
    first = access.log_in("engineer", "2718", "192.0.2.1")
    for number in range(2000):
        access.log_in("engineer", "2718", "192.0.2.1")
        access.log_in(f"name {number}", "wrong", f"address {number}")
    assert len(access._sessions) <= 256
    assert len(access._tries) <= 1024
    assert access.visitor(first, None) is None, "the oldest makes room"


def test_the_file_holds_what_a_person_can_read(tmp_path: Path) -> None:
    invite(tmp_path, "doghouse")
    assert list(json.loads((tmp_path / FILE).read_text())) == ["doghouse"]
