"""The catalogue as data: every row rationalised, its priority that of the matrix, and what waits is not watched."""

import pytest

import streams
from brakewater.alarms.catalogue import CATALOGUE, STOP, TABLES, AlarmKind, Priority, Scope, priority_of
from brakewater.engine.derive import DERIVED
from brakewater.errors import RigFileError
from brakewater.rig import Rig
from brakewater.rig.roles import ROLES
from brakewater.units import Dimension, parse
from brakewater.wording import LANGUAGES

RETURN = """
[[brake.point]]
name = "back"
role = "return-flow"
device = "plc1"
table = "input"
address = 30
type = "float32"
signal = { kind = "direct", unit = "gal/min" }
[[lamp]]"""
WANTED = frozenset(
    """
    cooling-lost cooling-flow-low cooling-flow-high inlet-temperature-high outlet-temperature-high outlet-rise-high
    brake-level-rising brake-level-high return-restricted water-lost cooling-margin-low inlet-limit-ahead
    heat-share-low brake-weakening excitation-low rotor-hot-no-flow tank-level-low supply-pressure-low
    strainer-fouling pump-stopped frost-ahead signal-bad signal-doubtful device-silent device-stuck record-stalled
    mirror-behind disk-low broker-lost lamp-write-failed clock-stepped limits-above-maker
    """.split()  # noqa: SIM905 - a list to read
)
"""Of the contract; round-due, panel-lost and on-battery have nothing to look at yet."""


def test_the_catalogue_is_what_the_contract_lists() -> None:
    assert set(CATALOGUE) >= WANTED


@pytest.mark.parametrize("kind", CATALOGUE.values(), ids=str)
def test_a_row_is_whole_and_its_priority_follows_from_consequence_and_time(kind: AlarmKind) -> None:
    assert kind.consequence
    assert kind.causes
    assert kind.response.count(".") <= 3
    assert kind.priority is priority_of(kind.grade, parse(kind.time_to_respond, Dimension.TIME))
    urgent = kind.priority in (Priority.CRITICAL, Priority.HIGH)
    if urgent and kind.gated:
        assert kind.response.startswith(STOP)
    for role in kind.needs:
        assert not ROLES[role].brake or kind.scope is Scope.BRAKE
    assert set(kind.tables) <= set(TABLES)
    if kind.waits:
        assert kind.waits not in DERIVED, "it is there now: take the row's waits away"


@pytest.mark.parametrize("name", ["cooling-lost", "pump-stopped", "rotor-hot-no-flow"])
def test_whoever_is_told_to_bring_the_water_back_is_told_of_the_hot_rotor(name: str) -> None:
    assert "cold water" in CATALOGUE[name].response
    assert "agua fría" in LANGUAGES["es"].responses[name]


def keys(rig: Rig) -> set[str]:
    return {rule.key for rule in rig.alarms}


def test_what_has_nothing_to_look_at_is_not_watched_and_not_accepted() -> None:
    assert not keys(streams.demo()) & {"aux.water-lost", "aux.brake-weakening", "aux.supply-pressure-low"}
    wanted = (
        ("water-lost", "return-flow"),
        ("brake-weakening", "drum-speed, coil-current, .hoist., torque of the brake"),
        ("excitation-low", "coil-current"),
    )
    for name, needs in wanted:
        entry = f'[[brake.alarm]]\nalarm = "{name}"\n[[lamp]]'
        with pytest.raises(RigFileError, match=f"it where there is what it looks at: .*{needs}"):
            streams.parse(streams.changed(streams.demo().text, ("[[lamp]]", entry)))


def test_a_choked_return_is_told_from_a_leak_and_from_a_rising_inflow() -> None:
    rig = streams.parse(streams.changed(streams.demo().text, ("[[lamp]]", RETURN)))
    gpm = streams.GPM
    episodes = {
        "choke": ({"back": 60 * gpm}, 0.008),
        "slow choke": ({"back": 83 * gpm}, 0.0003),
        "leak": ({"back": 60 * gpm}, 0.0),
        "filling": ({"back": 91 * gpm, "aux-flow": 120 * gpm}, 0.004),
        "inflow": ({"back": 119 * gpm, "aux-flow": 120 * gpm}, 0.004),
    }
    found = {}
    for name, (values, m_s) in episodes.items():
        calm = streams.scans(rig, 100, values={"back": 90 * gpm})
        level = streams.np.minimum(0.3 + m_s * streams.np.arange(140) * rig.scan_ns / 1e9, 0.42)
        block = streams.scans(rig, 140, first=101, values={**values, "aux-level": level})
        played = streams.play([streams.start(rig), calm, block])
        found[name] = {event.alarm for event in played.events if event.now == "unacknowledged"}
    assert found == {
        "choke": {"return-restricted", "brake-level-rising"},
        "slow choke": {"return-restricted"},
        "leak": {"water-lost"},
        "filling": {"brake-level-rising"},
        "inflow": {"brake-level-rising"},
    }


@pytest.mark.parametrize("area", ['housing-area = "0.55 m2"\n', ""])
@pytest.mark.parametrize(("version", "comes"), [("0", set()), ("0.2.0", {"water-lost"})])
def test_a_brake_that_fills_after_a_stop_of_the_pump_does_not_leak(area: str, version: str, comes: set[str]) -> None:
    """It ran dry, and holds what does not come back; records of before go on to say that it leaks."""
    text = streams.changed(streams.demo().text, ("[[lamp]]", RETURN))
    text = streams.changed(text, ('housing-area = "0.55 m2"\n', area)) if "housing-area" in text else text
    rig, gpm, np = streams.parse(text), streams.GPM, streams.np
    calm = streams.scans(rig, 150, values={"back": 90 * gpm})
    t = np.arange(300) * rig.scan_ns / 1e9
    level = 0.3 - 0.2 * np.exp(-t / 30.0)
    back = (90 - 0.2 / 30.0 * np.exp(-t / 30.0) * 0.55 / gpm) * gpm
    fills = streams.scans(rig, 300, first=151, values={"aux-level": level, "back": back})
    played = streams.play([streams.start(rig, version=version), calm, fills])
    assert {event.alarm for event in played.events if event.now == "unacknowledged"} == comes


@pytest.mark.parametrize(("version", "comes"), [("0", True), ("0.2.0", False)])
def test_a_choke_is_told_by_the_return_where_the_level_is_unknown(version: str, comes: bool) -> None:  # noqa: FBT001
    rig = streams.parse(streams.changed(streams.demo().text, ("[[lamp]]", RETURN)))
    gpm, dead = streams.GPM, {"raw": {"aux-level": 32_000.0}}
    calm = streams.scans(rig, 150, values={"back": 90 * gpm}, **dead)
    choked = streams.scans(rig, 20, first=151, values={"back": 60 * gpm}, **dead)
    filling = streams.scans(rig, 100, first=151, values={"back": 91 * gpm, "aux-flow": 120 * gpm}, **dead)
    for block, told in ((choked, comes), (filling, False)):
        played = streams.play([streams.start(rig, version=version), calm, block])
        assert ("return-restricted" in {event.alarm for event in played.events}) == told


def test_a_pump_that_was_switched_off_has_not_stopped() -> None:
    commanded = '[[point]]\nname = "order"\nrole = "pump-commanded"\ndevice = "plc1"\ntable = "input"\n'
    commanded += 'address = 4\ntype = "bit 2"\nsignal = { kind = "bit" }\n[[tank]]'
    rig = streams.parse(streams.changed(streams.demo().text, ("[[tank]]", commanded)))
    for order, comes in ((1.0, True), (0.0, False)):
        block = streams.scans(rig, 20, values={"pump-running": 0.0, "order": order})
        played = streams.play([streams.start(rig), block])
        assert ("pump-stopped" in {event.alarm for event in played.events}) == comes
