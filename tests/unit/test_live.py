"""The live picture as a line of JSON, there and back."""

import json
from dataclasses import fields

import pytest

from brakewater.engine.deferred import Deferred
from brakewater.live import picture_of, text_of
from brakewater.stream import AlarmTest, ByHand, Picture
from rig_parts import UTC, demo_rig, picture


def rich_picture() -> Picture:
    one = picture(demo_rig(), {"aux.cooling-lost": "unacknowledged"})
    by_hand = ByHand(
        point="aux-inlet", what="substituted", value=28.9, actor="tech", reason="RTD being changed",
        since_utc_ns=UTC, until_utc_ns=UTC + 1,
    )  # fmt: skip
    test = AlarmTest(actor="tech", reason="proof", since_utc_ns=UTC, until_utc_ns=UTC + 1)
    parts = {field.name: getattr(one, field.name) for field in fields(Picture)}
    alarms = tuple(type(a)(**{f.name: getattr(a, f.name) for f in fields(a)} | {"test": test}) for a in one.alarms[:1])
    return Picture(**parts | {"substitutions": (by_hand,), "alarms": (*alarms, *one.alarms[1:])})


def test_there_and_back_is_the_same() -> None:
    one = rich_picture()
    text = text_of(one)
    assert b"\n" not in text
    other = picture_of(json.loads(text))
    for field in fields(Picture):
        assert getattr(other, field.name) == getattr(one, field.name), field.name


@pytest.mark.parametrize("damage", [{"run": "x"}, {"derived": 5}, {"derived": [["aux"]]}, {"alarms": [{}]}])
def test_what_is_no_picture_is_refused(damage: dict[str, object]) -> None:
    doc = json.loads(text_of(rich_picture()))
    with pytest.raises(ValueError, match="no picture"):
        picture_of({**doc, **damage})
    with pytest.raises(ValueError, match="no picture"):
        picture_of({})


def test_values_that_the_engine_puts_off_travel_as_any_others() -> None:
    one = rich_picture()
    parts = {field.name: getattr(one, field.name) for field in fields(Picture)}
    later = {
        name: Deferred(tuple(parts[name]), parts[name].__getitem__) for name in ("readings", "derived") if parts[name]
    }
    assert "readings" in later
    assert text_of(Picture(**parts | later)) == text_of(one)
