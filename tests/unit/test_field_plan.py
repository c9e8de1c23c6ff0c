"""The read plan: every point once, at its place, within the limits, in as few reads as these allow."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater.field.estimate import ROUND_TRIP_S, scan_estimate_s, warnings
from brakewater.field.frames import MOST
from brakewater.field.plan import DevicePlan, plan
from brakewater.rig import Device, Point, Table
from brakewater.signals.words import RegisterKind
from field_rigs import device, point, rig

U16, F32, F64 = RegisterKind.UINT16, RegisterKind.FLOAT32, RegisterKind.FLOAT64


def spans(*points: Point, gap: int = 8, max_registers: int = 125) -> list[tuple[str, int, int]]:
    (made,) = plan(rig([device("plc1", gap=gap, max_registers=max_registers)], points))
    return [(one.read.table.value, one.read.address, one.read.count) for one in made.reads]


def at(*addresses: int, table: Table = Table.INPUT, kind: RegisterKind = U16) -> list[Point]:
    return [point("plc1", address, table=table, kind=kind) for address in addresses]


@pytest.mark.parametrize(
    ("points", "gap", "most", "reads"),
    [
        (at(0, 1, 2), 0, 125, [("input", 0, 3)]),
        (at(2, 0, 1), 0, 125, [("input", 0, 3)]),
        (at(0, 2), 0, 125, [("input", 0, 1), ("input", 2, 1)]),
        (at(0, 2), 1, 125, [("input", 0, 3)]),
        (at(0, 9), 8, 125, [("input", 0, 10)]),
        (at(0, 10), 8, 125, [("input", 0, 1), ("input", 10, 1)]),
        (at(*range(126)), 0, 125, [("input", 0, 125), ("input", 125, 1)]),
        (at(*range(5)), 0, 2, [("input", 0, 2), ("input", 2, 2), ("input", 4, 1)]),
        (at(0, 2, 4, kind=F32), 0, 5, [("input", 0, 4), ("input", 4, 2)]),
        (at(0, 4, kind=F64), 0, 8, [("input", 0, 8)]),
        (at(0, 4, kind=F64), 0, 7, [("input", 0, 4), ("input", 4, 4)]),
        (at(65532, kind=F64), 0, 125, [("input", 65532, 4)]),
        (at(0) + at(1, table=Table.HOLDING), 8, 125, [("holding", 1, 1), ("input", 0, 1)]),
        (at(0, 129, table=Table.COIL), 8, 1, [("coil", 0, 130)]),
        (at(0, 130, table=Table.COIL), 8, 125, [("coil", 0, 1), ("coil", 130, 1)]),
        (at(*range(0, 2010, 10), table=Table.DISCRETE), 8, 125, [("discrete", 0, 1991), ("discrete", 2000, 1)]),
    ],
)
def test_merging(points: list[Point], gap: int, most: int, reads: list[tuple[str, int, int]]) -> None:
    assert spans(*points, gap=gap, max_registers=most) == reads


def test_bits_of_one_register_are_read_once() -> None:
    points = [point("plc1", 7, kind=RegisterKind.BIT, bit=bit) for bit in (3, 0, 15)]
    (made,) = plan(rig([device("plc1")], points))
    (read,) = made.reads
    assert (read.read.address, read.read.count) == (7, 1)
    assert sorted((part.offset, part.count, part.column, part.index) for part in read.parts) == [
        (0, 1, 0, 0),
        (0, 1, 1, 1),
        (0, 1, 2, 2),
    ]


def test_devices_keep_their_order_and_their_points() -> None:
    devices = [device("b"), device("idle"), device("a")]
    plans = plan(rig(devices, [point("a", 0), point("b", 0), point("a", 1)]))
    assert [made.device.name for made in plans] == ["b", "idle", "a"]
    assert [[len(read.parts) for read in made.reads] for made in plans] == [[1], [], [2]]


@st.composite
def layouts(draw: st.DrawFn, most_points: int = 40) -> tuple[Device, list[Point]]:
    """Points without overlap, as the rig's check lets through, in any order; several bits of a register."""
    points: list[Point] = []
    for table in Table:
        address = draw(st.integers(0, 3))
        for _ in range(draw(st.integers(0, most_points // 4))):
            address += draw(st.sampled_from((0, 0, 0, 1, 2, 7, 8, 9, 60, 127, 128, 129, 300)))
            kind = U16 if table.is_bits else draw(st.sampled_from((U16, F32, F64, RegisterKind.BIT)))
            bits = draw(st.sets(st.integers(0, 15), min_size=1, max_size=3)) if kind is RegisterKind.BIT else {None}
            points += [point("plc1", address, table=table, kind=kind, bit=bit) for bit in bits]
            address += points[-1].count
    limits = device("plc1", max_registers=draw(st.integers(4, 125)), gap=draw(st.integers(0, 20)))
    return limits, draw(st.permutations(points))


def bridge(limits: Device, table: Table) -> int:
    return limits.gap * 16 if table.is_bits else limits.gap


def most(limits: Device, table: Table) -> int:
    return MOST[table] if table.is_bits else limits.max_registers


@given(layouts())
def test_every_word_comes_from_one_read_at_its_place(layout: tuple[Device, list[Point]]) -> None:
    limits, points = layout
    made_of = rig([limits], points)
    (made,) = plan(made_of)
    seen: dict[int, tuple[Table, int]] = {}
    status: list[int] = []
    for planned in made.reads:
        assert planned.read.unit == limits.unit
        assert planned.read.count <= most(limits, planned.read.table)
        for part in planned.parts:
            status.append(part.index)
            assert part.offset >= 0
            assert part.offset + part.count <= planned.read.count
            for k in range(part.count):
                assert part.column + k not in seen
                seen[part.column + k] = (planned.read.table, planned.read.address + part.offset + k)
    slots = [slot for slot in made_of.slots if slot.point.device == "plc1"]
    assert sorted(status) == [slot.index for slot in slots]
    assert seen == {
        slot.column + k: (slot.point.table, slot.point.address + k) for slot in slots for k in range(slot.point.count)
    }
    check_bridges(limits, made)


def check_bridges(limits: Device, made: DevicePlan) -> None:
    """No read bridges more unused words than the gap, nor begins or ends with one."""
    for planned in made.reads:
        used = sorted({part.offset + k for part in planned.parts for k in range(part.count)})
        assert (used[0], used[-1]) == (0, planned.read.count - 1)
        assert all(b - a - 1 <= bridge(limits, planned.read.table) for a, b in pairwise(used))


@given(layouts(most_points=16))
def test_no_other_grouping_needs_fewer_reads(layout: tuple[Device, list[Point]]) -> None:
    limits, points = layout
    (made,) = plan(rig([limits], points))
    for table in Table:
        words = sorted({(p.address, p.count) for p in points if p.table is table})
        if 0 < len(words) <= 6:
            fewest = min(
                len(groups)
                for groups in partitions(words)
                if all(allowed(group, bridge(limits, table), most(limits, table)) for group in groups)
            )
            assert sum(planned.read.table is table for planned in made.reads) == fewest


Words = tuple[int, int]


def allowed(group: Sequence[Words], gap: int, span: int) -> bool:
    """Whether one read may fetch this group: from the rules, not from the plan's way to them."""
    used = sorted(address + k for address, count in group for k in range(count))
    return used[-1] - used[0] < span and all(b - a - 1 <= gap for a, b in pairwise(used))


def partitions(items: Sequence[Words]) -> Iterator[list[list[Words]]]:
    """Every way to put items into groups."""
    if not items:
        yield []
        return
    for groups in partitions(items[1:]):
        yield [[items[0]], *groups]
        for k in range(len(groups)):
            yield [*groups[:k], [items[0], *groups[k]], *groups[k + 1 :]]


def test_what_shares_a_line_is_estimated_together() -> None:
    keys = {"transport": "rtu", "serial": "/dev/ttyS0", "baud": 19200, "parity": "even"}
    devices = [Device.model_validate({"name": f"rio{k}", "unit": k, **keys}) for k in (1, 2)]
    points = [point(one.name, address) for one in devices for address in range(0, 400, 100)]
    plans = plan(rig(devices, points))
    one_s = scan_estimate_s(plans[0])  # 4 requests: each 15 characters of 11 bits, two pauses and the thinking
    assert one_s == pytest.approx(4 * (15 * 11 / 19200 + 2 * 0.005 + ROUND_TRIP_S))
    assert warnings(plans, round(2 * one_s * 1e9) + 1) == []
    (said,) = warnings(plans, round(2 * one_s * 1e9) - 10)
    assert said.startswith("rio1, rio2 at /dev/ttyS0: every scan asks for about")


def test_slow_points_count_by_their_share() -> None:
    device_ = Device.model_validate({"name": "plc1", "host": "a"})
    quick = [point("plc1", 0)]
    slow = [replace(point("plc1", address), every=5) for address in range(100, 1100, 100)]
    plans = plan(rig([device_], [*quick, *slow]))  # 1 request a scan, 10 more in every fifth
    assert warnings(plans, round(3.01 * ROUND_TRIP_S * 1e9)) == []
    (said,) = warnings(plans, round(2.9 * ROUND_TRIP_S * 1e9))
    assert "slow points come later" in said
