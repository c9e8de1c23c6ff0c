"""The daemon's own words come back as the gauges said, or stay at the end of what the registers hold."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater.field.own import OwnDevice
from brakewater.quality import Status
from brakewater.rig import SELF, Rig
from brakewater.signals.convert import convert
from field_rigs import device, point, rig

RIG = rig([device("plc1")], [point("plc1", 0), point("plc1", 1)], mirrors=("office", "spare"), broker=True)
OWN = [slot for slot in RIG.slots if slot.point.device == SELF]
U32, I32 = (0, 2**32 - 1), (-(2**31), 2**31 - 1)
LIMITS = {
    "self.lateness": (*U32, 1e-6),
    "self.commit-age": (*U32, 1e-3),
    "self.queued": (*U32, 1.0),
    "self.clock-step": (*I32, 1e-3),
    "self.disk-used": (0, 65535, 1e-4),
    "self.restarts": (0, 65535, 1.0),
    "self.mirror.office": (*U32, 1e-3),
    "self.mirror.spare": (*U32, 1e-3),
}
"""What each point's registers hold, and the SI value of one count."""


def decoded(of: Rig, gauges: dict[str, int]) -> dict[str, float]:
    """What the engine would make of the words."""
    own = OwnDevice(of, {name: lambda value=value: value for name, value in gauges.items()})  # type: ignore[misc]
    words = np.frombuffer(own.words(), "<u2").astype(np.uint16)
    slots = [slot for slot in of.slots if slot.point.device == SELF]
    first, found = slots[0].column, {}
    assert len(words) == of.words - first
    for slot in slots:
        part = words[slot.column - first :][: slot.point.count].reshape(1, -1)
        values, codes = convert(slot.point.register, slot.point.signal, part, np.array([Status.OK], np.uint8))
        assert codes.tolist() == [0]
        found[slot.point.name] = float(values[0])
    return found


def test_every_own_point_is_tried() -> None:
    assert {slot.point.name for slot in OWN} == {*LIMITS, "self.broker"}


def test_without_gauges_all_is_zero() -> None:
    assert set(decoded(RIG, {}).values()) == {0.0}


@given(st.fixed_dictionaries({name: st.integers(-(2**70), 2**70) | st.integers(-9, 70000) for name in LIMITS}))
def test_words_come_back_as_the_gauges_said_or_saturate(gauges: dict[str, int]) -> None:
    found = decoded(RIG, gauges)
    for name, (least, most, count) in LIMITS.items():
        assert found[name] == min(max(gauges[name], least), most) * count, name


@pytest.mark.parametrize("step_ms", [-3_600_000, -1, 1, 3_600_000])
def test_a_clock_step_keeps_its_sign(step_ms: int) -> None:
    assert decoded(RIG, {"self.clock-step": step_ms})["self.clock-step"] == pytest.approx(step_ms / 1000)


def test_a_clock_set_from_1970_is_a_large_step_forward() -> None:
    # It came round as -1 ms while all that fits into 32 bits was let through.
    assert decoded(RIG, {"self.clock-step": 1_900_000_000_000})["self.clock-step"] == pytest.approx((2**31 - 1) / 1000)


@pytest.mark.parametrize("connected", [0, 1])
def test_the_broker_s_bit(connected: int) -> None:
    assert decoded(RIG, {"self.broker": connected})["self.broker"] == connected
