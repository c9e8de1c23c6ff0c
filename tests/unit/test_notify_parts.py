"""MQTT without a broker: topics and changes, versions and waits, commands in, answers out."""

import json
from concurrent.futures import Future
from dataclasses import replace

import pytest

from brakewater.notify import topics
from brakewater.notify.commands import MOST_BYTES, MOST_OPEN, CommandDesk, Refusal, read, reply_topic
from brakewater.notify.dial import Dial
from brakewater.notify.session import Message, Outcome, Version
from brakewater.stream import Answer, Request
from rig_parts import Door, demo_rig, picture

RIG = demo_rig()
OPEN = demo_rig(**{"[people]\n": "", 'driller = "driller"\n': "", 'tech = "tech"\n': "", 'engineer = "engineer"': ""})
ACK = {"id": "a1", "do": "acknowledge", "alarm": "cooling-lost", "brake": "aux"}


def sent(shown: topics.Shown, changed: dict[str, str] | None = None, *, fresh: bool = True) -> dict[str, object]:
    return {topic: json.loads(body) for topic, body in shown.changes(picture(RIG, changed), fresh=fresh)}


# ------------------------------------------------------------------- changes


def test_a_session_begins_with_every_state_and_goes_on_with_changes() -> None:
    shown = topics.Shown(rig=RIG)
    first = sent(shown)
    assert set(first) == topics.known_states(RIG) | {"brakewater/rig-4/horn"}
    assert sent(shown) == {}
    changed = sent(shown, {"aux.cooling-lost": "unacknowledged"})
    assert set(changed) == {f"brakewater/rig-4/{end}" for end in ("aux/alarm/cooling-lost", "lamp/cooling", "horn")}
    assert next(iter(changed)).endswith("alarm/cooling-lost")
    assert changed["brakewater/rig-4/horn"] == {"sound": "alarm"}


def test_watching_goes_out_with_the_pictures_and_is_out_before_the_first() -> None:
    shown = topics.Shown(rig=RIG)
    lamp = "brakewater/rig-4/lamp/watching"
    assert [(t, json.loads(b)["aspect"]) for t, b in shown.changes(None, fresh=False)] == [(lamp, "off")]
    assert sent(shown)[lamp] == {"aspect": "steady", "colour": "white"}
    assert sent(shown, fresh=False) == {lamp: {"aspect": "off", "colour": "white"}}


def test_what_was_not_taken_is_offered_again() -> None:
    shown = topics.Shown(rig=RIG)
    every = list(topics.Shown(rig=RIG).changes(picture(RIG), fresh=True))
    cut = shown.changes(picture(RIG), fresh=True)
    next(cut)
    cut.close()
    assert len(list(shown.changes(picture(RIG), fresh=True))) == len(every)


def test_a_watch_that_ends_leaves_no_state_behind_that_is_false() -> None:
    left = dict(topics.nothing_stands(RIG))
    assert set(left) == topics.known_states(RIG) | {"brakewater/rig-4/horn"}
    dark = {topic: json.loads(body) for topic, body in left.items() if "/alarm/" not in topic}
    assert dark.pop("brakewater/rig-4/horn") == {"sound": "off"}
    assert {state["aspect"] for state in dark.values()} == {"off"}
    assert {body for topic, body in left.items() if "/alarm/" in topic} == {b""}


def test_topics_are_those_of_the_contract() -> None:
    own_root = demo_rig(mqtt='root = "site/four"')
    assert topics.alarm(RIG, "aux", "cooling-lost") == "brakewater/rig-4/aux/alarm/cooling-lost"
    assert topics.alarm(RIG, None, "device-silent:plc1") == "brakewater/rig-4/rig/alarm/device-silent:plc1"
    assert topics.event(own_root, None) == "site/four/rig/event"
    assert topics.actor_of(RIG, "brakewater/rig-4/command/driller") == "driller"
    for other in ("command/", "command/a/b", "commands/a", "aux/now"):
        assert topics.actor_of(RIG, f"brakewater/rig-4/{other}") is None
    strange = demo_rig(**{'[[brake]]\nname = "aux"': '[[brake]]\nname = "command"'})
    for own in (topics.now(strange, "command"), topics.event(strange, "command")):
        assert topics.actor_of(strange, own) is None


# ---------------------------------------------------------------------- dial


@pytest.mark.parametrize("no", [Outcome.OTHER_VERSION, Outcome.MUTE])
def test_version_5_first_then_at_once_what_the_broker_speaks(no: Outcome) -> None:
    dial = Dial()
    assert dial.version is Version.V5
    dial.after(no, 0.0)
    assert (dial.version, dial.wait_s) == (Version.V311, 0.0)
    dial.after(Outcome.ACCEPTED, 60.0)
    assert (dial.version, dial.wait_s) == (Version.V5, 0.1)


def test_a_broker_that_hangs_up_twice_is_asked_in_the_other_version() -> None:
    dial, asked = Dial(), []
    for _ in range(6):
        asked.append(dial.version)
        dial.after(Outcome.CUT, 0.0)
    assert asked == [Version.V5, Version.V5, Version.V311, Version.V311, Version.V5, Version.V5]


def test_neither_version_taken_is_tried_on_with_waits() -> None:
    dial, waits = Dial(), []
    for _ in range(4):
        dial.after(Outcome.OTHER_VERSION, 0.0)
        waits.append(dial.wait_s)
    assert waits == [0.0, 0.1, 0.0, 0.2]


def test_waits_grow_to_two_seconds_and_shrink_only_after_a_good_session() -> None:
    dial, waits = Dial(), []
    for _ in range(7):
        dial.after(Outcome.UNREACHABLE, 0.0)
        waits.append(dial.wait_s)
    assert waits == [0.1, 0.2, 0.4, 0.8, 1.6, 2.0, 2.0]
    dial.after(Outcome.ACCEPTED, 0.5)  # two that throw each other out
    assert dial.wait_s == 2.0
    dial.after(Outcome.ACCEPTED, 6.0)
    assert dial.wait_s == 0.1


# ------------------------------------------------------------------ commands


def message(body: object = ACK, actor: str = "driller", **changed: object) -> Message:
    payload = body if isinstance(body, bytes) else json.dumps(body).encode()
    topic = f"brakewater/rig-4/command/{actor}"
    return replace(Message(topic=topic, payload=payload, retained=False), **changed)  # type: ignore[arg-type]


def test_the_topic_is_the_actor_and_the_rest_is_arguments() -> None:
    asked = read(RIG, "driller", message({**ACK, "actor": "engineer"}))
    args = {"alarm": "cooling-lost", "brake": "aux", "actor": "engineer"}
    assert asked == Request(id="a1", actor="driller", do="acknowledge", args=args)


@pytest.mark.parametrize(
    ("body", "number", "says"),
    [
        (b"\xff\xfe", None, "not JSON"),
        (b"{", None, "not JSON"),
        (b"[" * 9000, None, "not JSON"),
        (b" " * (MOST_BYTES + 1), None, "at most"),
        ([1], None, "JSON object"),
        ({"do": "acknowledge"}, None, '"id"'),
        ({"id": 7, "do": "acknowledge"}, None, '"id"'),
        ({"id": "a/b", "do": "acknowledge"}, None, '"id"'),
        ({"id": "#", "do": "acknowledge"}, None, '"id"'),
        ({"id": "a1"}, "a1", '"do"'),
        ({"id": "a1", "do": ["acknowledge"]}, "a1", '"do"'),
    ],
)
def test_what_cannot_be_read_is_refused(body: object, number: str | None, says: str) -> None:
    refusal = read(RIG, "driller", message(body))
    assert isinstance(refusal, Refusal)
    assert refusal.id == number
    assert says in refusal.says


def test_strangers_and_retained_commands_are_refused() -> None:
    assert "people" in read(RIG, "stranger", message()).says  # type: ignore[union-attr]
    assert isinstance(read(OPEN, "stranger", message()), Request)
    assert "retained" in read(RIG, "driller", message(retained=True)).says  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("asked", "topic"),
    [
        (None, "brakewater/rig-4/answer/driller/a1"),
        ("reply/here", "reply/here"),
        ("brakewater/rig-4/answer/driller/own", "brakewater/rig-4/answer/driller/own"),
        ("brakewater/rig-4/answer/tech/a1", "brakewater/rig-4/answer/driller/a1"),
        ("brakewater/rig-4/lamp/watching", "brakewater/rig-4/answer/driller/a1"),
        ("spBv1.0/ninebark/NDEATH/rig-4", "brakewater/rig-4/answer/driller/a1"),
        ("a/#", "brakewater/rig-4/answer/driller/a1"),
        ("$SYS/x", "brakewater/rig-4/answer/driller/a1"),
    ],
)
def test_nobody_can_have_the_watch_write_a_state(asked: str | None, topic: str) -> None:
    assert reply_topic(RIG, "driller", "a1", asked) == topic


class Desk:
    """A desk with a door, and what it sent."""

    def __init__(self) -> None:
        self.door = Door()
        self.sent: list[tuple[str, dict[str, object], bytes | None]] = []
        self.desk = CommandDesk(self.door, lambda t, b, c: self.sent.append((t, json.loads(b), c)))

    def take(self, one: Message) -> None:
        self.desk.take(RIG, topics.actor_of(RIG, one.topic) or "", one)


def test_a_command_goes_through_the_door_and_its_answer_comes_back() -> None:
    desk = Desk()
    desk.take(message(reply_to="reply/here", correlation=b"\x01"))
    assert desk.door.asked[0].do == "acknowledge"
    assert desk.sent == [("reply/here", {"id": "a1", "ok": True, "says": "cooling-lost is now acknowledged"}, b"\x01")]


def test_what_has_no_usable_id_is_answered_all_the_same_and_counted() -> None:
    desk = Desk()
    desk.take(message(b"{"))
    desk.take(message(b"{", reply_to="reply/here"))
    assert [(topic, body["id"], body["ok"]) for topic, body, _ in desk.sent] == [
        ("brakewater/rig-4/answer/driller/without-id", None, False),
        ("reply/here", None, False),
    ]
    assert (desk.desk.refused, desk.door.asked) == (2, [])


def test_a_door_that_fails_is_an_answer() -> None:
    desk = Desk()
    desk.door.keeps = True
    for number in ("a1", "a2", "a3"):
        desk.take(message({**ACK, "id": number}))
    cancelled, failed, fine = desk.door.kept
    cancelled.cancel()
    failed.set_exception(ValueError("no such thing"))
    fine.set_result(Answer(id="a3", actor="driller", ok=False, says="nothing to acknowledge"))
    assert [body["says"] for _, body, _ in desk.sent] == [
        "the watch has not taken this command: it is stopping",
        "the watch has not taken this command: no such thing",
        "nothing to acknowledge",
    ]

    def closed(_request: Request) -> Future[Answer]:
        raise RuntimeError("Event loop is closed")

    said: list[bytes] = []
    CommandDesk(closed, lambda _t, body, _c: said.append(body)).take(RIG, "driller", message())
    assert b"Event loop is closed" in said[0]


def test_commands_that_wait_are_bounded() -> None:
    desk = Desk()
    desk.door.keeps = True
    for number in range(MOST_OPEN + 3):
        desk.take(message({**ACK, "id": f"a{number}"}))
    assert len(desk.door.asked) == MOST_OPEN
    assert len(desk.sent) == 3
    for future in desk.door.kept:
        future.set_result(Answer(id="x", actor="driller", ok=True, says="done"))
    desk.take(message({**ACK, "id": "later"}))
    assert len(desk.door.asked) == MOST_OPEN + 1
