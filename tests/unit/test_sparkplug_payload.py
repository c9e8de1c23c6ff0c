"""Payloads against Google's protobuf package, and what is read of a command against anything at all."""

from contextlib import suppress
from typing import cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater.notify.session import Session
from brakewater.notify.sparkplug import SparkplugNode, _Life
from brakewater.notify.sparkplug_metrics import modbus_devices, of
from brakewater.notify.sparkplug_payload import DataType, Metric, Quality, asks_rebirth, payload
from brakewater.rig import parse
from rig_parts import FLOW, UTC, MemoryCursors, demo_rig, picture
from sparkplug_proto import Payload, decoded, properties, value, values

VALUES = {
    DataType.INT32: st.integers(0, 2**31 - 1),
    DataType.INT64: st.integers(0, 2**63 - 1),
    DataType.DOUBLE: st.floats(allow_nan=False),
    DataType.BOOLEAN: st.booleans(),
    DataType.STRING: st.text(),
}
METRICS = st.sampled_from(list(DataType)).flatmap(
    lambda kind: st.builds(
        Metric,
        name=st.text(min_size=1),
        type=st.just(kind),
        value=st.none() | VALUES[kind],
        quality=st.none() | st.sampled_from(list(Quality)),
        unit=st.none() | st.text(),
    )
)


@given(st.lists(METRICS, max_size=5), st.integers(0, 2**63), st.none() | st.integers(0, 255))
def test_what_is_written_is_what_protobuf_reads(metrics: list[Metric], at_ms: int, seq: int | None) -> None:
    found = decoded(payload(at_ms, metrics, seq))
    assert found.timestamp == at_ms
    assert (found.seq if found.HasField("seq") else None) == seq
    assert len(found.metrics) == len(metrics)
    for got, wanted in zip(found.metrics, metrics, strict=True):
        assert (got.name, got.datatype, got.timestamp) == (wanted.name, wanted.type, at_ms)
        assert value(got) == wanted.value
        told = {"Quality": wanted.quality, "engUnit": wanted.unit}
        assert properties(got) == {key: known for key, known in told.items() if known is not None}


def test_a_negative_number_as_the_specification_has_it() -> None:
    """Signed numbers go as two's complement of their own width in the unsigned field (6.4.16, from memory)."""
    found = decoded(payload(0, [Metric(name="x", type=DataType.INT32, value=-2)], 0))
    assert found.metrics[0].int_value == 2**32 - 2
    found = decoded(payload(0, [Metric(name="x", type=DataType.INT64, value=-2)], 0))
    assert found.metrics[0].long_value == 2**64 - 2


def test_the_picture_as_metrics() -> None:
    rig = demo_rig()
    metrics = {one.name: one for one in of(rig, picture(rig, {"aux.cooling-lost": "acknowledged"}), "aux")}
    assert metrics["reading/aux-flow"] == Metric(
        name="reading/aux-flow", type=DataType.DOUBLE, value=FLOW, quality=Quality.GOOD, unit="m3/s"
    )
    outlet = metrics["reading/aux-outlet"]
    assert (outlet.value, outlet.quality) == (None, Quality.BAD)
    assert metrics["reading/aux-level"].quality is Quality.UNCERTAIN
    assert metrics["reading/aux-in-service"].value is True
    assert metrics["alarm/cooling-lost"].value == "acknowledged"
    assert not any("self." in name for one in (None, "aux") for name in [m.name for m in of(rig, picture(rig), one)])
    assert {one.name for one in of(rig, picture(rig), None)} >= {"reading/hook-load", "alarm/broker-lost"}
    assert values(decoded(payload(UTC // 10**6, list(metrics.values()), 7)))["derived/heat_w"] == 654_980.0


@pytest.mark.parametrize(("names", "shown"), [
    (("plc1", "plc2"), ("plc1", "plc2")), (("aux", "plc2"), ("aux-device", "plc2")),
    (("aux", "aux-device"), ("aux-device-device", "aux-device")),
])  # fmt: skip
def test_a_modbus_device_has_a_name_that_nothing_else_has(names: tuple[str, str], shown: tuple[str, str]) -> None:
    """A brake may be called as a device is, and another device as that one is called then."""
    text = demo_rig().text.replace('"plc1"', f'"{names[0]}"')
    second = f'[[device]]\nname = "{names[1]}"\nhost = "127.0.0.3"\n\n[[point]]'
    text = text.replace("[[point]]", second, 1)
    at = text.index(f'device = "{names[0]}"')
    rig = parse(text[:at] + text[at:].replace(f'device = "{names[0]}"', f'device = "{names[1]}"', 1))
    assert modbus_devices(rig) == dict(zip(reversed(names), reversed(shown), strict=True))


@pytest.mark.parametrize(("says", "online"), [
    ('{"online": true, "timestamp": 5}', True), ('{"online": false, "timestamp": 5}', False),
    ('{"online": "false", "timestamp": 5}', False), ('{"online": 1, "timestamp": 5}', False),
    ('{"online": true, "timestamp": "5"}', True), ('{"online": true}', None), ('{"timestamp": 5}', None),
    ("[]", None), ("true", None), ("online", None), ('{"online": true, "timestamp": 3}', None),
])  # fmt: skip
@pytest.mark.parametrize("before", [True, False])
def test_a_host_is_online_where_it_says_true_and_not_later_than_another_word(
    says: str, *, online: bool | None, before: bool
) -> None:
    table = '\n[sparkplug]\ngroup = "rigs"\nprimary-host = "office"\n'
    node = SparkplugNode(demo_rig(more=table), cursors=MemoryCursors())
    node._host_says(f'{{"online": {"true" if before else "false"}, "timestamp": 4}}'.encode())
    node._host_says(says.encode())
    assert node._host_online is (before if online is None else online)


TABLE = '\n[sparkplug]\ngroup = "rigs"\n'


def test_the_will_is_not_kept_by_the_broker() -> None:
    """Else every host that comes later would be told that the node has died."""
    number = Metric(name="bdSeq", type=DataType.INT64, value=7)
    target = SparkplugNode(demo_rig(more=TABLE), cursors=MemoryCursors())._target(number)
    assert (target.will_topic, target.will_retained) == ("spBv1.0/rigs/NDEATH/rig-4", False)
    assert values(decoded(target.will)) == {"bdSeq": 7}


def test_what_is_told_carries_the_time_of_its_scan_in_milliseconds() -> None:
    sent: list[tuple[str, bytes]] = []

    class Sent:
        def publish(self, topic: str, body: bytes, *, qos: int) -> None:
            assert qos == 0
            sent.append((topic, body))

    rig = demo_rig(more=TABLE)
    life = _Life(cast("Session", Sent()), lambda kind, device=None: f"{kind}/{device}", rig)
    life.birth(Metric(name="bdSeq", type=DataType.INT64, value=7), picture(rig))
    assert [topic for topic, _ in sent] == ["NBIRTH/None", "DBIRTH/aux", "DBIRTH/plc1"]
    told = [decoded(body) for _, body in sent]
    assert [one.seq for one in told] == [0, 1, 2]
    assert (
        {one.timestamp for one in told}
        == {metric.timestamp for one in told for metric in one.metrics}
        == {UTC // 10**6}
    )


def rebirth(**changed: object) -> bytes:
    made = Payload(timestamp=1, seq=0)
    made.metrics.add(name="other", datatype=10, double_value=1.0)
    made.metrics.add(**{"name": "Node Control/Rebirth", "datatype": 11, "boolean_value": True, **changed})
    return bytes(made.SerializeToString())


def test_a_rebirth_is_asked_for_by_name_and_true() -> None:
    assert asks_rebirth(rebirth())
    assert not asks_rebirth(rebirth(boolean_value=False))
    assert not asks_rebirth(rebirth(name="Node Control/Reboot"))
    assert not asks_rebirth(b"")
    with pytest.raises(ValueError, match="ends in the middle"):
        asks_rebirth(rebirth()[:-1])


def test_a_command_that_was_cut_off_asks_for_nothing() -> None:
    """All of it must be sound, also behind what asks."""
    made = Payload(timestamp=1, seq=0)
    made.metrics.add(name="Node Control/Rebirth", datatype=11, boolean_value=True)
    made.metrics.add(name="other", datatype=12, string_value="x" * 40)
    whole = bytes(made.SerializeToString())
    assert asks_rebirth(whole)
    asked = []
    for end in range(1, len(whole)):
        with suppress(ValueError):
            asked += [end] if asks_rebirth(whole[:end]) else []
    assert len(asked) <= 2  # where the cut is between two fields nobody can tell


@given(st.binary(max_size=60))
def test_any_bytes_are_read_or_refused(body: bytes) -> None:
    with suppress(ValueError):
        asks_rebirth(body)
