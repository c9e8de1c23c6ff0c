"""The watch on real brokers, seen and commanded by foreign clients (mosquitto's own)."""

import json
import logging
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from brakewater.notify import Mqtt, session
from brakewater.notify.follower import Sources
from brakewater.record.cursors import Cursors
from brakewater.record.documents import event_doc
from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.rig import Rig
from brakewater.stream import Answer, Request
from brokers import HOST, Broker, amqtt, ask, free_port, listening, mosquitto, retained, running, say, until
from faults.certificates import Authority, Signed
from mqtt_wire import Strict
from record_streams import block, start
from rig_parts import Door, MemoryCursors, MemoryRecord, demo_rig, event, picture

pytestmark = pytest.mark.integration

ROOT = "brakewater/rig-4"
LOW = {"aux.cooling-flow-low": "unacknowledged"}


def memory_sources(record: MemoryRecord | None = None) -> Sources:
    return Sources(record=record or MemoryRecord(), cursors=MemoryCursors(), document=event_doc)


@contextmanager
def watching(
    rig: Rig, door: Door | None = None, sources: Sources | None = None, password: str | None = None
) -> Iterator[Mqtt]:
    mqtt = Mqtt(rig, door=door or Door(), events=sources or memory_sources(), password=password)
    mqtt.start()
    try:
        yield mqtt
    finally:
        mqtt.stop()


def connected(mqtt: Mqtt) -> None:
    until(lambda: mqtt.figures().connected, "connected")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with running(mosquitto(tmp_path)) as one:
        yield one


def states(port: int) -> dict[str, str]:
    """Alarm states and lamp aspects as a newcomer is told them, what is normal and dark left out."""
    said = retained(port, f"{ROOT}/#")
    alarms = {topic.rpartition("/")[2]: body["state"] for topic, body in said.items() if "/alarm/" in topic}
    lamps = {topic.rpartition("/")[2]: body["aspect"] for topic, body in said.items() if "/lamp/" in topic}
    return {name: state for name, state in (alarms | lamps).items() if state not in ("normal", "off")}


def test_a_newcomer_is_told_how_everything_stands(broker: Broker) -> None:
    rig = demo_rig(broker.port)
    with watching(rig) as mqtt:
        mqtt.show(picture(rig, LOW))
        until(
            lambda: (
                states(broker.port) == {"cooling-flow-low": "unacknowledged", "cooling": "flash", "watching": "steady"}
            )
        )
        said = retained(broker.port, f"{ROOT}/#")
        assert len([topic for topic in said if "/alarm/" in topic]) == len(rig.alarms)
        assert (
            said[f"{ROOT}/aux/alarm/cooling-flow-low"]["text"] == "Cooling water low: 61.2 gal/min, set at 75 gal/min."
        )
        assert said[f"{ROOT}/horn"] == {"sound": "alarm"}
        assert said[f"{ROOT}/online"]["online"] is True
        assert mqtt.figures().version == "5.0"


def test_a_mirror_is_called_as_its_owner_likes(broker: Broker) -> None:
    """Its name stands in the topic of its alarm, where some characters mean something else or nothing at all."""
    rig = demo_rig(broker.port, more='\n[mirror."office/a+b #1"]\nurl = "http://127.0.0.1:1"\n')
    with watching(rig) as mqtt:
        mqtt.show(picture(rig, LOW))
        until(lambda: states(broker.port).get("cooling-flow-low") == "unacknowledged", "all told")
        said = retained(broker.port, f"{ROOT}/#")
        assert len([topic for topic in said if "/alarm/" in topic]) == len(rig.alarms)
        topic = f"{ROOT}/rig/alarm/mirror-behind:office%2Fa%2Bb %231"
        assert said[topic]["alarm"] == "mirror-behind:office/a+b #1"
        assert mqtt.figures().drops == 0


def test_no_more_is_under_way_than_the_broker_takes_at_once(tmp_path: Path) -> None:
    with running(mosquitto(tmp_path, "allow_anonymous true", "max_inflight_messages 5")) as broker:
        link = Strict(broker.port, answers_after_s=0.005)
        try:
            rig = demo_rig(link.port)
            with watching(rig) as mqtt:
                mqtt.show(picture(rig, LOW))
                until(lambda: len(retained(broker.port, f"{ROOT}/#")) > len(rig.alarms), "all told")
                assert mqtt.figures().drops == 0
        finally:
            link.close()
        assert link.most == link.announced == 5


def test_only_what_changes_is_published_and_with_its_service(broker: Broker, tmp_path: Path) -> None:
    rig = demo_rig(broker.port)
    with listening(broker.port, f"{ROOT}/#", tmp_path / "ear", "-V", "5") as ear, watching(rig) as mqtt:
        mqtt.show(picture(rig))
        until(lambda: ear.last("lamp/watching") == {"aspect": "steady", "colour": "white"})
        before = len(ear.all())
        mqtt.show(picture(rig, LOW, number=2))
        until(lambda: ear.last("/horn") == {"sound": "alarm"})
        until(lambda: len(ear.of("/heartbeat")) >= 3, "heartbeats")
        since = [one for one in ear.all()[before:] if not one.topic.endswith(("/heartbeat", "/now", "/online"))]
        assert [one.topic for one in since] == [
            f"{ROOT}/aux/alarm/cooling-flow-low",
            f"{ROOT}/lamp/cooling",
            f"{ROOT}/horn",
        ]
        assert {one.qos for one in since} == {1}
        assert ear.last("/heartbeat").keys() == {"t", "scan_age_s", "n"}
        assert {one.qos for one in ear.of("/heartbeat") + ear.of("/now")} == {0}
        assert ear.last("aux/now")["readings"]["aux-flow"]["shown"] == {"value": 61.2, "unit": "gal/min"}
        assert len(ear.of("aux/now")) <= 2  # two pictures


def test_watching_goes_out_when_pictures_stop(broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("brakewater.notify.screen.FRESH_S", 0.0)  # four scans remain
    rig = demo_rig(broker.port)
    with listening(broker.port, f"{ROOT}/lamp/watching", tmp_path / "ear") as ear, watching(rig) as mqtt:
        connected(mqtt)

        def said() -> list[str]:
            return [one.json["aspect"] for one in ear.of("watching")]

        def shown_until_lit() -> bool:
            mqtt.show(picture(rig))  # again and again: on a busy machine one alone is old before it is published
            return "steady" in said()

        until(lambda: said() == ["off"], "dark before anything was shown")
        until(shown_until_lit, "lit")
        until(lambda: said()[-2:] == ["steady", "off"], "dark again")


def test_states_of_an_older_rig_file_are_cleared(broker: Broker) -> None:
    old, rig = f"{ROOT}/aux/alarm/of-an-older-file", demo_rig(broker.port)
    for topic in (old, f"{ROOT}/lamp/old", f"{ROOT}/aux/alarm/cooling-lost", "other/aux/alarm/untouched"):
        say(broker.port, topic, '{"state": "unacknowledged", "aspect": "flash"}', "-r")
    with watching(rig) as mqtt:
        mqtt.show(picture(rig))
        until(lambda: states(broker.port) == {"watching": "steady"})
        said = retained(broker.port, "#")
        assert old not in said
        assert f"{ROOT}/lamp/old" not in said
        assert "other/aux/alarm/untouched" in said


def test_a_clean_stop_says_so_and_leaves_nothing_that_looks_like_a_watch(broker: Broker) -> None:
    rig = demo_rig(broker.port)
    with watching(rig) as mqtt:
        mqtt.show(picture(rig, {"aux.cooling-lost": "unacknowledged"}))
        connected(mqtt)
        until(lambda: retained(broker.port, f"{ROOT}/horn").get(f"{ROOT}/horn") == {"sound": "alarm"})
    said = retained(broker.port, f"{ROOT}/#")
    assert said[f"{ROOT}/online"]["online"] is False
    assert said[f"{ROOT}/online"]["since"] is not None
    lamps = {topic: body["aspect"] for topic, body in said.items() if "/lamp/" in topic}
    assert lamps == {f"{ROOT}/lamp/{name}": "off" for name in ("watching", "ready", *(lamp.name for lamp in rig.lamps))}
    assert said[f"{ROOT}/horn"] == {"sound": "off"}
    assert [topic for topic in said if "/alarm/" in topic] == []
    assert mqtt.figures().drops == 0


CHILD = """
import sys, time
from rig_parts import Door, MemoryCursors, MemoryRecord, demo_rig, picture
from brakewater.notify import Mqtt, session
from brakewater.notify.follower import Sources
rig = demo_rig(int(sys.argv[1]))
mqtt = Mqtt(rig, door=Door(), events=Sources(record=MemoryRecord(), cursors=MemoryCursors(), document=dict))
mqtt.start()
while True:
    mqtt.show(picture(rig))
    time.sleep(0.2)
"""


def test_the_will_speaks_for_a_killed_watch(broker: Broker, tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    with listening(broker.port, f"{ROOT}/online", tmp_path / "ear") as ear:
        child = subprocess.Popen([sys.executable, "-c", CHILD, str(broker.port)], env=environment)
        try:
            until(lambda: (ear.last("/online") or {}).get("online") is True, "birth")
        finally:
            child.send_signal(signal.SIGKILL)
            child.wait()
        until(lambda: ear.last("/online")["online"] is False, "will")
    assert retained(broker.port, f"{ROOT}/online")[f"{ROOT}/online"] == {"online": False, "since": None}


ACK = json.dumps({"id": "a1", "do": "acknowledge", "alarm": "cooling-flow-low", "brake": "aux"})


def test_acknowledge_with_mqtt_5_is_answered_where_it_asks(broker: Broker) -> None:
    door = Door()
    with watching(demo_rig(broker.port), door) as mqtt:
        connected(mqtt)
        answer = ask(
            broker.port, f"{ROOT}/command/driller", ACK, "desk/reply", "-D", "publish", "correlation-data", "x"
        )
        assert answer == {"id": "a1", "ok": True, "says": "cooling-flow-low is now acknowledged"}
    wanted = Request(id="a1", actor="driller", do="acknowledge", args={"alarm": "cooling-flow-low", "brake": "aux"})
    assert door.asked == [wanted]


@pytest.mark.parametrize("version", ["mqttv311", "mqttv5"])
def test_acknowledge_is_answered_below_the_actor(broker: Broker, tmp_path: Path, version: str) -> None:
    with listening(broker.port, f"{ROOT}/answer/driller/+", tmp_path / "ear", "-V", version) as ear:
        with watching(demo_rig(broker.port)) as mqtt:
            connected(mqtt)
            for body in (ACK, "{", json.dumps({"id": "a2"})):
                say(broker.port, f"{ROOT}/command/driller", body, "-V", version)
            say(broker.port, f"{ROOT}/command/stranger", ACK, "-V", version)
            until(lambda: ear.last("/a1") is not None and ear.last("/a2") is not None, "answers")
            until(lambda: mqtt.figures().commands_refused == 3, "three refused")
        assert ear.last("/a1")["ok"] is True
        assert ear.last("/a2") == {"id": "a2", "ok": False, "says": 'a command needs a "do", for example "acknowledge"'}


def test_retained_commands_are_refused_live_and_later(broker: Broker, tmp_path: Path) -> None:
    door, rig = Door(), demo_rig(broker.port)
    with listening(broker.port, f"{ROOT}/answer/#", tmp_path / "ear") as ear:
        with watching(rig, door) as mqtt:
            connected(mqtt)
            say(broker.port, f"{ROOT}/command/driller", ACK, "-r")
            until(lambda: len(ear.of("/a1")) == 1, "refused when it comes")
        with watching(rig, door):
            until(lambda: len(ear.of("/a1")) == 2, "refused when found")
        assert all("retained" in one.json["says"] for one in ear.all())
    assert door.asked == []


def test_a_command_that_lies_there_is_answered_though_the_session_is_slow_to_begin(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It comes as soon as it is subscribed to, in another thread."""
    subscribed = session.Session.subscribe

    def slow(self: session.Session, topic: str, **options: bool) -> None:
        subscribed(self, topic, **options)
        time.sleep(0.3)

    monkeypatch.setattr(session.Session, "subscribe", slow)
    say(broker.port, f"{ROOT}/command/driller", ACK, "-r")
    with listening(broker.port, f"{ROOT}/answer/#", tmp_path / "ear") as ear, watching(demo_rig(broker.port), Door()):
        until(lambda: len(ear.of("/a1")) == 1, "refused when found")


def test_a_command_that_is_answered_later_is_answered_from_the_doors_thread(broker: Broker, tmp_path: Path) -> None:
    door = Door()
    door.keeps = True
    with (
        listening(broker.port, f"{ROOT}/answer/#", tmp_path / "ear") as ear,
        watching(demo_rig(broker.port), door) as mqtt,
    ):
        connected(mqtt)
        say(broker.port, f"{ROOT}/command/driller", ACK)
        until(lambda: len(door.kept) == 1)
        door.kept[0].set_result(Answer(id="a1", actor="driller", ok=False, says="nothing to acknowledge"))
        until(lambda: ear.last("/a1") == {"id": "a1", "ok": False, "says": "nothing to acknowledge"})


def test_a_defect_in_the_door_does_not_end_the_link(broker: Broker, caplog: pytest.LogCaptureFixture) -> None:
    calls: list[str] = []

    def door(request: Request) -> Future[Answer]:
        calls.append(request.id)
        raise TypeError("a defect")

    mqtt = Mqtt(demo_rig(broker.port), door=door, events=memory_sources())
    mqtt.start()
    try:
        connected(mqtt)
        for number in ("a1", "a2"):
            say(broker.port, f"{ROOT}/command/driller", json.dumps({"id": number, "do": "note"}))
        until(lambda: calls == ["a1", "a2"], "the second still arrives")
        assert mqtt.figures().connected
    finally:
        mqtt.stop()
    assert "a defect" in caplog.text


def test_user_and_password(tmp_path: Path) -> None:
    people = tmp_path / "people"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(people), "watch", "right"], check=True, capture_output=True)
    rules = ("allow_anonymous false", f"password_file {people}")
    with running(mosquitto(tmp_path, *rules)) as broker:
        rig = demo_rig(broker.port, mqtt='user = "watch"')
        with watching(rig, password="right") as mqtt:
            connected(mqtt)
        with watching(rig, password="wrong") as mqtt:
            until(lambda: mqtt._said is not None, "refused")
            assert not mqtt.figures().connected
            assert "Not authorized" in str(mqtt._said)


# paho leaves the socket of a failed handshake to the garbage collector, which closes it and says so.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls_with_certificates_on_both_sides(tmp_path: Path) -> None:
    """The broker takes the name in our certificate for the user, as a rig's broker would."""
    ours, others = Authority(tmp_path, "ours"), Authority(tmp_path, "others")
    shown, watch, stranger = ours.sign("broker"), ours.sign("watch"), others.sign("watch")
    rules = (
        *("allow_anonymous false", f"cafile {ours.file}", f"certfile {shown.certificate}", f"keyfile {shown.key}"),
        *("require_certificate true", "use_identity_as_username true"),
    )

    def keys(authority: Authority, signed: Signed) -> str:
        return f'tls = true\nca = "{authority.file}"\ncertificate = "{signed.certificate}"\nkey = "{signed.key}"'

    with running(mosquitto(tmp_path, *rules)) as broker:
        rig = demo_rig(broker.port, mqtt=keys(ours, watch))
        with watching(rig) as mqtt:
            mqtt.show(picture(rig))
            connected(mqtt)
            secure = ("--cafile", str(ours.file), "--cert", str(watch.certificate), "--key", str(watch.key))
            until(lambda: f"{ROOT}/lamp/watching" in retained(broker.port, f"{ROOT}/#", *secure))
        for wrong, says in (
            (keys(others, watch), "certificate verify failed"),
            (keys(ours, stranger), ""),
            (f'tls = true\nca = "{tmp_path}/nowhere.pem"', "nowhere.pem: no such file"),
            ("tls = false", ""),
        ):
            with watching(demo_rig(broker.port, mqtt=wrong)) as mqtt:
                until(lambda: mqtt._said is not None, wrong)
                assert says in str(mqtt._said)
                assert not mqtt.figures().connected


def test_what_lives_seconds_is_not_delivered_later(broker: Broker, tmp_path: Path) -> None:
    """MQTT 5: heartbeat and live values carry an expiry, answers too; states and events never do."""
    rig, record = demo_rig(broker.port), MemoryRecord({1: [event(1)]})
    form = ("-V", "5", "-F", "%t\t%E")
    words = ["stdbuf", "-oL", "mosquitto_sub", "-h", HOST, "-p", str(broker.port), "-t", f"{ROOT}/#", *form]
    with (tmp_path / "ear").open("wb") as out:
        ear = subprocess.Popen(words, stdout=out)
    try:
        say(broker.port, f"{ROOT}/ear", "subscribed?", "-r")
        until(lambda: "/ear" in (tmp_path / "ear").read_text(), "the ear is there")
        with watching(rig, sources=memory_sources(record)) as mqtt:
            mqtt.show(picture(rig, LOW))
            connected(mqtt)
            say(broker.port, f"{ROOT}/command/driller", ACK, "-V", "5")
            wanted = ("/heartbeat", "aux/now", "/a1", "aux/event", "/horn")
            until(lambda: all(f"{end}\t" in (tmp_path / "ear").read_text() for end in wanted), "all heard")
    finally:
        ear.kill()
        ear.wait()
    rows = [line.split("\t") for line in (tmp_path / "ear").read_text().splitlines()]
    lives = {topic.removeprefix(ROOT): seconds for topic, seconds in rows if "/command/" not in topic}
    assert lives["/heartbeat"] in ("2", "3")
    assert lives["/aux/now"] in ("2", "3")
    assert 50 <= int(lives["/answer/driller/a1"]) <= 60
    for topic, seconds in lives.items():
        assert seconds in ("", "0") or topic in ("/heartbeat", "/aux/now", "/answer/driller/a1"), topic


def test_a_changed_rig_file_is_taken_in_a_new_session(broker: Broker, tmp_path: Path) -> None:
    rig = demo_rig(broker.port)
    window = '[[lamp]]\nname = "level"\nalarms = ["brake-level-high", "brake-level-rising"]\ncolour = "red"\n'
    fewer = demo_rig(broker.port, **{window: ""})
    with listening(broker.port, f"{ROOT}/online", tmp_path / "ear") as ear:
        with watching(rig) as mqtt:
            mqtt.show(picture(rig))
            until(lambda: f"{ROOT}/lamp/level" in retained(broker.port, f"{ROOT}/lamp/+"))
            mqtt.stop(followed_by=fewer)
        with watching(fewer) as mqtt:
            mqtt.show(picture(fewer))
            until(lambda: f"{ROOT}/lamp/level" not in retained(broker.port, f"{ROOT}/lamp/+"))
            until(lambda: states(broker.port) == {"watching": "steady"})
            assert all(one.json["online"] for one in ear.all())
            assert mqtt.figures().drops == 0
            mqtt.stop(followed_by=demo_rig(broker.port + 1))
            until(lambda: ear.last("/online")["online"] is False, "whoever goes elsewhere says so")


def test_a_broker_that_refuses_version_5_gets_3_1_1(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    door = Door()
    with running(amqtt(tmp_path)) as broker:
        rig = demo_rig(broker.port)
        record = MemoryRecord({1: [event(n) for n in range(1, 31)]})
        with listening(broker.port, f"{ROOT}/#", tmp_path / "ear", "-V", "mqttv311") as ear:
            with watching(rig, door, memory_sources(record)) as mqtt:
                mqtt.show(picture(rig, LOW))
                connected(mqtt)
                assert mqtt.figures().version == "3.1.1"
                until(lambda: ear.last("/horn") == {"sound": "alarm"})
                until(lambda: [one.json["n"] for one in ear.of("aux/event")] == list(range(1, 31)), "events")
                say(broker.port, f"{ROOT}/command/driller", ACK, "-V", "mqttv311")
                until(lambda: (ear.last("driller/a1") or {}).get("ok") is True, "answer")
            until(lambda: ear.last("/online")["online"] is False, "farewell")
    assert not [
        record for record in caplog.records if record.levelno >= logging.WARNING and "trying on" in record.message
    ]


# ------------------------------------------------------ the broker goes away


def test_it_starts_before_its_broker(tmp_path: Path) -> None:
    broker = mosquitto(tmp_path)
    rig = demo_rig(broker.port)
    with watching(rig) as mqtt:
        mqtt.show(picture(rig, LOW))
        until(lambda: mqtt._said is not None, "a first refusal")
        assert not mqtt.figures().connected
        with running(broker):
            connected(mqtt)
            until(lambda: states(broker.port).get("cooling") == "flash")


def test_over_a_killed_broker_the_states_are_right_and_no_event_waits(tmp_path: Path) -> None:
    """The broker keeps nothing; what changed while it was away shows as it now stands."""
    broker = mosquitto(tmp_path)
    rig, record, cursors = demo_rig(broker.port), MemoryRecord({1: []}), MemoryCursors()
    sources = Sources(record=record, cursors=cursors, document=event_doc)
    with running(broker), watching(rig, sources=sources) as mqtt:
        for outage in range(1, 4):
            connected(mqtt)
            mqtt.show(picture(rig, {"aux.brake-level-high": "unacknowledged"}, number=outage))
            until(lambda: states(broker.port).get("level") == "flash", "before")
            broker.kill()
            until(lambda: not mqtt.figures().connected, "seen as lost")
            record.events_of[1] += [event(len(record.events_of[1]) + n) for n in range(1, 51)]
            mqtt.show(picture(rig, LOW, number=outage))
            broker.start()
            after = {"cooling-flow-low": "unacknowledged", "cooling": "flash", "watching": "steady"}
            until(lambda: states(broker.port) == after, "after")  # noqa: B023
            until(lambda: cursors.get("mqtt") == (1, 50 * outage), "delivered")  # noqa: B023
            assert mqtt.figures().drops == outage
    assert cursors.history == sorted(cursors.history)


def test_every_recorded_event_is_heard_in_order_over_restarts_of_the_broker(tmp_path: Path) -> None:
    """The real record; a subscriber whose session the broker keeps hears all. Twice is allowed, too late is not."""
    broker, folder = mosquitto(tmp_path, keeps=True), tmp_path / "record"
    rig = demo_rig(broker.port)
    folder.mkdir()
    session_kept = ("-c", "-i", "ear", "-V", "mqttv311")
    with ExitStack() as stack:
        stack.enter_context(running(broker))
        marks = stack.enter_context(Cursors(folder))
        ear = stack.enter_context(listening(broker.port, f"{ROOT}/+/event", tmp_path / "ear", *session_kept))
        mqtt = Mqtt(rig, door=Door(), events=Sources(record=Record(folder), cursors=marks, document=event_doc))
        mqtt.start()
        stack.callback(mqtt.stop)
        journal = stack.enter_context(Journal(folder, on_commit=mqtt.committed))
        journal.begin(start())
        connected(mqtt)
        n = 0
        for _ in range(3):
            for n in range(n + 1, n + 101):  # noqa: B020
                journal.append(block(1, n), (event(n, number=n),))
            assert journal.wait_committed(10.0)
            broker.end()  # in the midst of it
            for n in range(n + 1, n + 21):  # noqa: B020
                journal.append(block(1, n), (event(n, number=n),))
            broker.start()
            connected(mqtt)
        until(lambda: marks.get("mqtt") == (1, n), "all delivered")
        until(lambda: any(one.json["n"] == n for one in ear.all()), "the last is heard")
        until(lambda: f"{ROOT}/chain" in retained(broker.port, f"{ROOT}/chain"), "head of the chain")
        heard = [one.json["n"] for one in ear.all()]
        hashes = {one.json["hash"] for one in ear.all()}
    assert list(dict.fromkeys(heard)) == list(range(1, 361))
    assert hashes == {committed.hash for committed in Record(folder).events()}


def test_a_silent_broker_counts_as_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Frozen, it keeps the connection open: only missing acknowledgements tell."""
    monkeypatch.setattr("brakewater.notify.mqtt._LATE_S", 0.3)
    monkeypatch.setattr("brakewater.notify.mqtt._DEAD_S", 1.0)
    monkeypatch.setattr("brakewater.notify.screen._PROBE_S", 0.2)
    patience = dict.fromkeys(session._PATIENCE_S, 0.3)
    monkeypatch.setattr("brakewater.notify.session._PATIENCE_S", patience)
    with running(mosquitto(tmp_path)) as broker:
        rig = demo_rig(broker.port)
        with watching(rig) as mqtt:
            mqtt.show(picture(rig))
            connected(mqtt)
            broker.freeze()
            until(lambda: not mqtt.figures().connected, "seen as lost")
            until(lambda: mqtt.figures().drops == 1, "a new session is begun")
            broker.kill()
            broker.start()
            connected(mqtt)
            mqtt.show(picture(rig))  # the first may be too old by now
            until(lambda: states(broker.port) == {"watching": "steady"})


def test_nothing_piles_up_while_the_broker_is_away() -> None:
    rig = demo_rig(free_port())
    with watching(rig, sources=memory_sources(MemoryRecord({1: [event(n) for n in range(1, 2000)]}))) as mqtt:
        for number in range(500):
            mqtt.show(picture(rig, LOW if number % 2 else {}, number=number))
        until(lambda: mqtt._said is not None, "tried")
        assert mqtt._session is None
        assert not mqtt._newest.foreign
        assert mqtt.figures().events == 0
