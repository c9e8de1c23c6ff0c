"""Alarms on what is worked out once a second: each is raised and cleared through the engine, by what it stands for."""

import re
from collections.abc import Iterable, Iterator

import numpy as np
import pytest

import streams
from brakewater import render
from brakewater.engine import Engine
from brakewater.quality import Status
from brakewater.record.documents import event_doc
from brakewater.rig import Rig, load
from brakewater.stream import Block

GPM = streams.GPM
FULL = load(streams.CONFIG / "rig-4-full.toml")
NO_HOIST = streams.parse(re.sub(r"\[hoist\].*?\n\n", "", streams.demo().text, flags=re.DOTALL))
RUNNING = {
    "pump-running": 1.0,
    "aux-in-service": 1.0,
    "aux-flow": 90 * GPM,
    "aux-inlet": 30.0,
    "aux-pressure": 280e3,
}


def told(rig: Rig, blocks: Iterable[Block], alarm: str, version: str = "0") -> list[tuple[str, int]]:
    """What one alarm of the brake did, and at which input."""
    engine = Engine()
    events = list(engine.feed(streams.start(rig, version=version)).events)
    for block in blocks:
        events += engine.feed(block).events
    return [(event.now, event.input) for event in events if event.alarm == alarm]


def phases(rig: Rig, *parts: tuple[int, dict[str, object]]) -> Iterator[Block]:
    first = 1
    for seconds, values in parts:
        n = 5 * seconds
        yield streams.scans(rig, n, first=first, values={**RUNNING, **values})
        first += n


def test_a_rotor_that_the_water_heated_is_told_of_when_the_water_stops_and_until_it_is_back() -> None:
    work = 60, {"aux-outlet": 62.0}
    dry = 10, {"aux-outlet": 62.0, "aux-flow": 0.0}
    wet = 240, {"aux-outlet": 32.0}
    (up, at), *rest = told(NO_HOIST, phases(NO_HOIST, work, dry, wet), "rotor-hot-no-flow")
    assert (up, at > 300, at <= 300 + 5 * 4) == ("unacknowledged", True, True)
    assert [now for now, _ in rest] == ["returned-unacknowledged"]


def test_whoever_has_seen_that_the_water_is_lost_hears_that_the_rotor_is_hot() -> None:
    """It follows from an alarm that is as urgent, yet asks for another response."""
    engine = Engine()
    engine.feed(streams.start(NO_HOIST))
    dry = {"aux-outlet": 62.0, "aux-flow": 0.0}
    *_, last = (engine.feed(block) and block for block in phases(NO_HOIST, (60, {"aux-outlet": 62.0}), (1, dry)))
    assert engine.feed(streams.command(last, "acknowledge", alarm="all")).answers[0].ok
    assert render.horn_now(NO_HOIST, engine.picture())["sound"] == "off"
    engine.feed(streams.scans(NO_HOIST, 20, first=307, values={**RUNNING, **dry}))
    hot = next(now for now in engine.alarms() if now.alarm == "rotor-hot-no-flow")
    assert (hot.state, hot.cause, hot.silenced) == ("unacknowledged", "aux.cooling-lost", False)
    assert render.horn_now(NO_HOIST, engine.picture())["sound"] == "alarm"


def test_its_event_and_sentence_show_the_figure_that_was_judged() -> None:
    """The estimate itself may lie below the setpoint: what is judged is how hot the rotor may be."""
    engine = Engine()
    engine.feed(streams.start(NO_HOIST))
    parts = (20, {"aux-outlet": 45.0}), (40, {"aux-outlet": 45.0, "aux-flow": 0.0})
    for block in phases(NO_HOIST, *parts):
        outcome = engine.feed(block)
    (event,) = [one for one in outcome.events if one.alarm == "rotor-hot-no-flow"]
    at = event.input - 101
    estimate = outcome.derived["aux", "rotor_temperature_degc"].values[at]
    band = outcome.derived["aux", "rotor_temperature_std_k"].values[at]
    assert event.value == pytest.approx(estimate + 2.0 * band)
    assert estimate < event.setpoint < event.value
    text = render.event_shown(NO_HOIST, event_doc(event))["text"]
    assert text.startswith(
        f"Hot rotor without water: may be as hot as {event.value * 1.8 + 32:.1f} degF, set at 200 degF."
    )


def test_a_cold_rotor_without_water_raises_only_the_lost_cooling() -> None:
    still = 120, {"aux-outlet": 30.0, "aux-flow": 0.0}
    parts = (60, {"aux-outlet": 30.0}), still
    assert told(NO_HOIST, phases(NO_HOIST, *parts), "rotor-hot-no-flow") == []
    assert told(NO_HOIST, phases(NO_HOIST, *parts), "cooling-lost")


def test_an_unknown_flow_counts_as_none_over_a_hot_rotor() -> None:
    def blocks() -> Iterator[Block]:
        yield from phases(NO_HOIST, (60, {"aux-outlet": 62.0}))
        yield streams.scans(
            NO_HOIST, 50, first=301, values={**RUNNING, "aux-outlet": 62.0}, status={"plc1": Status.SILENT}
        )

    assert [now for now, _ in told(NO_HOIST, blocks(), "rotor-hot-no-flow")] == ["unacknowledged"]


def test_out_of_service_a_rotor_cools_and_does_not_heat_on_by_the_last_known_power() -> None:
    work = 60, {"aux-outlet": 62.0}
    off = 900, {"aux-outlet": 62.0, "aux-flow": 0.0, "aux-in-service": 0.0}
    engine = Engine()
    engine.feed(streams.start(NO_HOIST))
    last = 0.0
    for block in phases(NO_HOIST, work, off):
        derived = engine.feed(block).derived
        last = float(derived["aux", "rotor_temperature_degc"].values[-1])
    assert last < 100.0


@pytest.mark.parametrize("cut", [1, 45])
def test_a_rotor_that_may_be_hot_is_watched_however_long_the_brake_is_out_of_service(cut: int) -> None:
    """Its cool-down is entered as five seconds; by its estimate it takes twice as long without water."""
    rig = streams.parse(streams.changed(NO_HOIST.text, ('meter = "inlet"', 'meter = "inlet"\nrotor-cool-down = "5 s"')))
    engine = Engine()
    engine.feed(streams.start(rig))
    off = 9, {"aux-outlet": 70.0, "aux-flow": 0.0, "aux-in-service": 0.0}
    for block in phases(rig, (60, {"aux-outlet": 70.0}), off):
        for at in range(0, len(block), cut):
            derived = engine.feed(block.cut(at, min(at + cut, len(block)))).derived
    estimate, band = (derived["aux", name].values[-1] for name in ("rotor_temperature_degc", "rotor_temperature_std_k"))
    assert estimate < (200.0 - 32.0) / 1.8 < estimate + 2.0 * band  # cooler by the estimate, hotter as it may be
    states = {now.alarm: now.state for now in engine.alarms()}
    assert (states["rotor-hot-no-flow"], states["cooling-lost"]) == ("unacknowledged", "unacknowledged")


def stand(degc: float, amperes: float) -> dict[str, object]:
    """A minute: 25 s down at 1 m/s with 100 t, then a pause; the brake's water carries off ``degc`` of rise."""
    t = np.arange(300) / 5.0
    down = t < 25.0
    drum = np.where(down, 15.0, 0.0)
    block = np.where(down, 30.0 - t, 5.0 + (t - 25.0) * 25.0 / 35.0)
    hook = np.where(down, 1.0e6, 0.25e6)
    return {
        "hook-load": hook, "block-position": block, "aux-outlet": 30.0 + degc, "aux-drum": drum,
        "aux-current": np.where(down, amperes, 0.0),
    }  # fmt: skip


def test_a_brake_that_takes_little_of_the_load_is_told_of_stand_by_stand() -> None:
    demo = streams.demo()
    weak, sound = (60, stand(4.0, 0.0)), (60, stand(13.0, 0.0))
    parts = [(n, {k: v for k, v in values.items() if k not in ("aux-drum", "aux-current")}) for n, values in
             [weak] * 5 + [sound] * 4]  # fmt: skip
    found = told(demo, phases(demo, *parts), "heat-share-low")
    assert [now for now, _ in found] == ["unacknowledged", "returned-unacknowledged"]
    assert found[0][1] > 5 * 120


def test_a_brake_that_gives_less_than_its_current_should_is_weakening() -> None:
    weak, sound = (60, stand(13.0, 75.0)), (60, stand(13.0, 58.0))
    found = told(FULL, phases(FULL, *[weak] * 5, *[sound] * 5), "brake-weakening")
    assert [now for now, _ in found] == ["unacknowledged", "returned-unacknowledged"]
    assert told(FULL, phases(FULL, *[sound] * 5), "brake-weakening") == []


def test_a_tank_that_will_be_too_warm_is_told_of_ahead_though_replies_are_lost() -> None:
    demo = streams.demo()

    def blocks(degc: float) -> Iterator[Block]:
        tank = degc + 0.0023 * np.arange(5000) / 5.0  # 306 kW into 200 bbl: 2.3 mK a second
        warm = {"aux-inlet": tank, "tank-temperature": tank, "aux-outlet": tank + 13.0, "ambient-temperature": 25.0}
        idle = dict.fromkeys(("aux-inlet", "tank-temperature", "aux-outlet"), degc + 2.3)
        for block in phases(demo, (1000, warm), (1500, {**idle, "ambient-temperature": 25.0})):
            block.status[::997] = Status.SILENT
            yield block

    found = told(demo, blocks(35.0), "inlet-limit-ahead")
    assert [now for now, _ in found] == ["unacknowledged", "returned-unacknowledged"]
    assert told(demo, blocks(24.0), "inlet-limit-ahead") == []
    assert told(demo, blocks(38.0), "inlet-limit-ahead") == [], "it is too warm: that has an alarm of its own"
    assert told(demo, streams.cut(blocks(38.0), [1]), "inlet-limit-ahead") == []
    assert told(demo, blocks(38.0), "inlet-limit-ahead", version="0.3.0")[:1]


@pytest.mark.parametrize(("device", "cause"), [("plc1", "rig.device-silent:plc1"), ("rio1", None)])
def test_only_the_device_that_measures_it_is_named_as_the_cause(device: str, cause: str | None) -> None:
    status = {device: Status.SILENT, "aux-flow": Status.SILENT}
    engine = Engine()
    engine.feed(streams.start(FULL))
    engine.feed(streams.scans(FULL, 25, values=RUNNING))
    events = engine.feed(streams.scans(FULL, 25, first=26, values=RUNNING, status=status)).events
    (lost,) = (event for event in events if event.alarm == "cooling-lost")
    assert (lost.cause, f"device-silent:{device}" in {event.alarm for event in events}) == (cause, True)
