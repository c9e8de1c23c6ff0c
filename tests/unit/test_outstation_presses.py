"""One press is one command: coils that clear themselves, contacts that bounce, buttons nobody can see."""

from dataclasses import replace

import pytest

from brakewater.field.newest import Newest
from brakewater.field.outstation_coils import Coils
from brakewater.field.presses import Contact, Presses, PushButtons
from brakewater.register_image import Links
from rig_parts import Door, demo_rig, picture

MS = 1_000_000
BUTTONS = "".join(
    f'\n[[point]]\nname = "{name}"\nrole = "push-{role}"\ndevice = "plc1"\ntable = "discrete"\naddress = {at}\n'
    'type = "bit"\nsignal = { kind = "bit" }\n'.replace('type = "bit"\n', "")
    for at, (name, role) in enumerate([("ack-button", "acknowledge"), ("horn-button", "silence")])
)


def presses_of(writes: list[tuple[int, int]]) -> list[int]:
    """Times in ms at which a coil was pressed, from (ms, value) written."""
    found: list[int] = []
    now = 0
    coils = Coils(lambda _: found.append(now))
    for now, value in writes:
        coils.write(0, bool(value), 10**12 + now * MS)
    return found


@pytest.mark.parametrize(
    ("writes", "pressed"),
    [
        ([(0, 1)], [0]),
        ([(0, 0)], []),
        ([(0, 1), (299, 1)], [0]),
        ([(0, 1), (100, 0), (200, 1)], [0]),
        ([(0, 1), (300, 1)], [0, 300]),
        ([(0, 1), (50, 0), (400, 1)], [0, 400]),
        ([(at, 1) for at in range(0, 5000, 200)], [0]),
        ([(0, 0), *((at, 1) for at in range(500, 9000, 500))], [500]),  # it sticks
        ([(0, 0), (1000, 1), (2000, 1), (3000, 0), (4000, 1), (5000, 1)], [1000, 4000]),
        ([(0, 0), (100, 1), (2099, 1), (4099, 1)], [100, 4099]),  # nothing for two seconds: a press of its own
        ([(at, 1) for at in range(0, 3000, 1000)], [0, 1000, 2000]),  # never 0: each is a press
    ],
)
def test_a_coil_is_pressed_once(writes: list[tuple[int, int]], pressed: list[int]) -> None:
    assert presses_of(writes) == pressed


def test_a_button_that_sticks_takes_nothing_from_those_of_other_peers() -> None:
    pressed: list[str] = []
    coils = Coils(pressed.append)
    for at in range(0, 6000, 250):
        for coil in range(4):  # as one write of all four that came after a restart: its first 1 may be a press
            coils.write(coil, coil == 0, 10**12 + at * MS, "192.0.2.1")
        if at in (1000, 3000):
            coils.write(0, bool(1), 10**12 + at * MS, "192.0.2.2")
    assert pressed == ["acknowledge"] * 3
    for at in range(200):  # no more of them are remembered than there can be PLCs
        coils.write(0, bool(1), 10**12, f"192.0.2.{at}")
    assert len(coils._writers) == 64


def test_a_coil_clears_itself() -> None:
    coils = Coils(lambda _: None)
    assert coils.bits(10**12) == 0
    coils.write(2, bool(1), 10**12)
    coils.write(0, bool(0), 10**12)
    assert coils.bits(10**12 + 299 * MS) == 0b100
    assert coils.bits(10**12 + 300 * MS) == 0


@pytest.mark.parametrize(
    ("seen", "pressed"),
    [
        ("_1111", []),
        ("1111", []),
        ("0011100", [2]),
        ("00_1100", []),
        ("0_011", [3]),
        ("01010", [1]),
        ("010001", [1, 5]),
    ],
)
def test_a_contact_is_pressed_when_it_was_seen_open(seen: str, pressed: list[int]) -> None:
    """One character a tick of 100 ms; ``_``: nobody knows."""
    contact = Contact()
    known = {"_": None, "0": False, "1": True}
    assert [at for at, one in enumerate(seen) if contact.see(known[one], at * 100 * MS)] == pressed


def test_buttons_become_commands_of_their_own_name() -> None:
    rig = demo_rig(more=BUTTONS)
    door = Door()
    buttons = PushButtons(rig, door)
    seen = picture(rig)
    for at, state in enumerate([(1.0, 0), (0.0, 0), (1.0, 0), (1.0, 0), (0.0, 110), (1.0, 0), (0.0, 0), (1.0, 30)]):
        buttons.show(replace(seen, t_ns=at * 400 * MS, readings={**seen.readings, "ack-button": state}))
    (request,) = door.asked
    assert (request.do, request.args, request.actor) == ("acknowledge", {"alarm": "all"}, "push-button:ack-button")
    assert buttons.figures() == {"pressed": 1, "refused": 0}


def test_every_press_has_an_id_of_its_own_and_refusals_are_counted() -> None:
    door = Door()
    door.keeps = True
    presses = Presses(door)
    for button in ("acknowledge", "silence", "reset", "test"):
        presses.press(button, "outstation")
    assert len({request.id for request in door.asked}) == 4
    assert [(request.do, dict(request.args)) for request in door.asked] == [
        ("acknowledge", {"alarm": "all"}), ("silence", {}), ("reset", {"alarm": "all"}), ("test", {}),
    ]  # fmt: skip
    door.kept[0].set_exception(RuntimeError("closed"))
    door.kept[1].cancel()
    assert presses.refused == 2


def test_the_heartbeat_counts_scans_that_came_through() -> None:
    rig = demo_rig()
    scanned = 0
    newest = Newest(rig, Links, lambda: scanned)
    assert newest.sight().picture is None
    for number, scanned in enumerate([0, 5, 6, 6, 6, 9], 1):  # noqa: B007 - the clock that newest looks at
        newest.show(picture(rig, number=number))
    sight = newest.sight()
    assert (sight.beats, sight.picture and sight.picture.input) == (3, 6)
    assert not sight.watching  # the last scan lies at 9 ns after the machine's start


def test_what_waited_while_the_watch_stood_still_is_not_heeded(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 10**12
    monkeypatch.setattr("brakewater.field.newest.monotonic_ns", lambda: now)
    newest = Newest(demo_rig(), Links, lambda: now)
    heeded = []
    for now in (10**12 + at * MS for at in (0, 200, 400, 600)):  # noqa: B007 - the clock that newest looks at
        newest.show(picture(demo_rig()))
        heeded.append(newest.heeds)
    now += 1001 * MS
    heeded.append(newest.heeds)  # it stands
    for at in (3000, 200, 200, 200):
        now += at * MS
        newest.show(picture(demo_rig()))
        heeded.append(newest.heeds)
    assert heeded == [True] * 4 + [False] * 4 + [True]


def test_the_heartbeat_comes_round() -> None:
    rig = demo_rig()
    newest = Newest(rig, Links)
    shown = picture(rig)
    for _ in range(0x10000 + 3):
        newest.show(shown)
    assert newest.sight().beats == 3
    assert newest.watching
