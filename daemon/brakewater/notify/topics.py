"""Topic names, payload bytes, and which retained states differ from what the broker holds."""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from brakewater import render
from brakewater.alarms.annunciator import READY, WATCHING, Aspect, Colour, Sound
from brakewater.rig import Rig
from brakewater.stream import AlarmNow, Picture

Publication = tuple[str, bytes]
"""Topic and payload."""

OF_RIG: Final = "rig"
"""Stands where a brake's name would, for what belongs to the whole rig."""


_NO_LEVEL: Final = re.compile(r"[+#/\x00-\x1f\x7f]")
"""What may not stand in one level of a topic (OASIS MQTT 5.0, 4.7.1 and 1.5.4)."""
_COMPACT: Final = json.JSONEncoder(separators=(",", ":"), allow_nan=False, ensure_ascii=False)


def payload(document: Mapping[str, Any]) -> bytes:
    """Compact JSON. A number that is none is a defect of ours and raises ValueError."""
    return _COMPACT.encode(document).encode()


def online(rig: Rig) -> str:
    """Retained; also the will's."""
    return f"{rig.root}/online"


def heartbeat(rig: Rig) -> str:
    """Every second."""
    return f"{rig.root}/heartbeat"


def chain(rig: Rig) -> str:
    """Retained: head of the event chain."""
    return f"{rig.root}/chain"


def event(rig: Rig, brake: str | None) -> str:
    """Every event."""
    return f"{rig.root}/{brake or OF_RIG}/event"


def now(rig: Rig, brake: str) -> str:
    """Live values of a brake."""
    return f"{rig.root}/{brake}/now"


def level(name: str) -> str:
    """An alarm's name as one level of a topic: a mirror, whose name it may hold, is called as its owner likes."""
    return _NO_LEVEL.sub(lambda found: f"%{ord(found[0]):02X}", name)


def alarm(rig: Rig, brake: str | None, name: str) -> str:
    """Retained: an alarm as it stands."""
    return f"{rig.root}/{brake or OF_RIG}/alarm/{level(name)}"


def lamp(rig: Rig, name: str) -> str:
    """Retained: what a lamp shows."""
    return f"{rig.root}/lamp/{name}"


def horn(rig: Rig) -> str:
    """Retained: what the horn does."""
    return f"{rig.root}/horn"


def command(rig: Rig, actor: str) -> str:
    """Commands of one actor; ``+`` for all."""
    return f"{rig.root}/command/{actor}"


def answer(rig: Rig, actor: str, number: str) -> str:
    """Where an answer goes unless its command names a response topic."""
    return f"{rig.root}/answer/{actor}/{number}"


def actor_of(rig: Rig, topic: str) -> str | None:
    """Who commands by this topic; None where it is no command topic, as what the watch says of a brake ``command``."""
    head = command(rig, "")
    actor = topic.removeprefix(head)
    if not topic.startswith(head) or not actor or "/" in actor:
        return None
    return None if any(topic in (event(rig, one.name), now(rig, one.name)) for one in rig.brakes) else actor


def state_filters(rig: Rig) -> tuple[str, str]:
    """All retained states whose names depend on the rig file."""
    return f"{rig.root}/+/alarm/+", lamp(rig, "+")


def known_states(rig: Rig) -> frozenset[str]:
    """The states among ``state_filters`` that this rig has; any other is left over from an older rig file."""
    alarms = {alarm(rig, rule.brake, rule.name) for rule in rig.alarms}
    return frozenset(alarms | {lamp(rig, name) for name in rig.windows})


def nothing_stands(rig: Rig) -> Iterator[Publication]:
    """What leaves nothing false behind where the watch ends: horn and lamps off, and no alarm said to be any way.

    A retained alarm is deleted by an empty payload: how it stands from now on nobody knows.
    """
    yield horn(rig), payload({"sound": Sound.OFF.value})
    yield lamp(rig, WATCHING), payload(render.watching(lit=False))
    yield lamp(rig, READY), payload({"aspect": Aspect.OFF.value, "colour": Colour.GREEN.value})
    for window in rig.lamps:
        yield lamp(rig, window.name), payload({"aspect": Aspect.OFF.value, "colour": window.colour})
    for rule in rig.alarms:
        yield alarm(rig, rule.brake, rule.name), b""


@dataclass(slots=True, kw_only=True)
class Shown:
    """What one session has published of the retained states, so that only changes go out; new with every session."""

    rig: Rig
    _alarms: dict[tuple[str | None, str], AlarmNow] = field(default_factory=dict)
    _seen: tuple[AlarmNow, ...] = ()
    _sent: dict[str, Mapping[str, Any]] = field(default_factory=dict)

    def changes(self, picture: Picture | None, *, fresh: bool) -> Iterator[Publication]:
        """Publications that bring the broker up to date, alarms first.

        Args:
            picture: the newest; None where there is none yet.
            fresh: false puts the lamp ``watching`` out: pictures have stopped coming.
        """
        if picture is not None:
            for each in self._moved(picture.alarms):
                yield alarm(self.rig, each.brake, each.alarm), payload(render.alarm_now(self.rig, each))
                self._alarms[each.brake, each.alarm] = each
            self._seen = picture.alarms
            yield from self._once(self._windows(picture, fresh=fresh))
        yield from self._once({lamp(self.rig, WATCHING): render.watching(lit=fresh and picture is not None)})

    def _moved(self, alarms: tuple[AlarmNow, ...]) -> list[AlarmNow]:
        """Those that stand otherwise than was said; one that has not moved is the same object in each picture."""
        if alarms is self._seen:
            return []
        before = self._seen if len(self._seen) == len(alarms) else (None,) * len(alarms)
        others = (each for each, was in zip(alarms, before, strict=True) if each is not was)
        return [each for each in others if self._alarms.get((each.brake, each.alarm)) != each]

    def _windows(self, picture: Picture, *, fresh: bool) -> dict[str, Mapping[str, Any]]:
        lit = render.lamps(self.rig, picture)
        if not fresh:  # a go must not outlive what it was told from
            lit[READY]["aspect"] = "off"
        return {
            **{lamp(self.rig, name): shown for name, shown in lit.items() if name != WATCHING},
            horn(self.rig): render.horn_now(self.rig, picture),
        }

    def _once(self, states: Mapping[str, Mapping[str, Any]]) -> Iterator[Publication]:
        for topic, document in states.items():
            if self._sent.get(topic) != document:
                yield topic, payload(document)
                self._sent[topic] = document
