"""Ranking of wiring mistakes, by construction: a device is made as the mistake would have it, with struct and by hand,
read at two levels with noise, and the ranking must name the mistake, or say "cannot tell" and which level would.
"""

import random
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from brakewater.cli.expected import ranking_lines
from brakewater.field.encode import raw_of, words_of
from brakewater.field.hypothesis import RAW_SCALES, Cells, Mistake, hypotheses, values
from brakewater.field.spans import likely, measuring_range, readings, span, tolerance
from brakewater.field.suspects import Level, Ranking, rank
from brakewater.rig import Point, Table, load
from brakewater.signals.convert import Bit, CurrentLoop, Direct, Linear, Pt100, Register, Signal
from brakewater.signals.words import RegisterKind

UNIT = 1
FORMATS = {
    RegisterKind.INT16: ">h",
    RegisterKind.UINT16: ">H",
    RegisterKind.INT32: ">i",
    RegisterKind.UINT32: ">I",
    RegisterKind.FLOAT32: ">f",
    RegisterKind.FLOAT64: ">d",
}
GPM = 3.785411784e-3 / 60
LOOP = CurrentLoop(raw_low=0.0, raw_high=27648.0, low=0.0, high=100.0)


def point(
    signal: Signal, kind: RegisterKind = RegisterKind.INT16, *, table: Table = Table.INPUT, bit: int | None = None
) -> Point:
    return Point(
        name="aux-inlet", role="in-service" if isinstance(signal, Bit) else "inlet-temperature", brake="aux",
        device="plc1", table=table, address=20, register=Register(kind=kind, bit=bit), signal=signal,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Device:
    """How the device really gives the signal."""

    kind: RegisterKind
    count: Callable[[float], float]
    """From the true value to the number in the register."""
    unit: int = UNIT
    table: Table = Table.INPUT
    address: int = 20
    words_low: bool = False
    bytes_low: bool = False
    mirrors: bool = False
    """Input and holding table show the same."""

    def words(self, x: float, noise: float) -> list[int]:
        number = self.count(x) + noise
        form = FORMATS[self.kind]
        octets = struct.pack(form, number if form[1] in "fd" else round(number))
        words = [octets[at : at + 2] for at in range(0, len(octets), 2)]
        if self.words_low:
            words.reverse()
        return [int.from_bytes(word, "little" if self.bytes_low else "big") for word in words]

    def level(self, x: float, chance: random.Random, noise: float = 0.0) -> Level:
        """Neighbours hold other signals: steady, with noise of their own."""
        steady = random.Random(self.address)
        cells: dict[tuple[int, Table], dict[int, int]] = {}
        for unit in (UNIT, 2, 3):
            for table in (Table.INPUT, Table.HOLDING):
                around = {at: max(0, steady.randint(0, 27000) + chance.randint(-5, 5)) for at in range(18, 27)}
                cells[unit, table] = around
        own = dict(enumerate(self.words(x, chance.gauss(0.0, noise)), self.address))
        for table in (Table.INPUT, Table.HOLDING) if self.mirrors else (self.table,):
            cells[self.unit, table].update(own)
        return Level(expected=x, cells=cells)


def line(low: float, high: float) -> Callable[[float], float]:
    """Counts of 0 to 100 degC."""
    return lambda x: low + (high - low) * x / 100.0


def ranked(written: Point, *levels: Level, units: tuple[int, ...] = ()) -> Ranking:
    return rank(
        written, UNIT, levels, tolerance=tolerance(written, levels[0].expected), span=span(written), units=units
    )


def ohms(degc: float) -> float:
    return 100.0 * (1.0 + 3.9083e-3 * degc - 5.775e-7 * degc * degc)  # IEC 60751, from 0 degC up


FLOAT = point(Direct(), RegisterKind.FLOAT32)
AS_LOOP = point(LOOP)
LONG = point(Linear(raw_low=0.0, raw_high=100000.0, low=0.0, high=100.0), RegisterKind.UINT32)

FLOAT_DEVICE = Device(kind=RegisterKind.FLOAT32, count=lambda x: x)
LOOP_DEVICE = Device(kind=RegisterKind.INT16, count=line(0, 27648))
LONG_DEVICE = Device(kind=RegisterKind.UINT32, count=line(0, 100000))

SINGLE = {
    "nothing, a float": (FLOAT, FLOAT_DEVICE, (), ""),
    "words": (FLOAT, replace(FLOAT_DEVICE, words_low=True), (), 'words = "low-first"'),
    "bytes": (FLOAT, replace(FLOAT_DEVICE, bytes_low=True), (), 'bytes = "low-first"'),
    "bytes of one word": (AS_LOOP, replace(LOOP_DEVICE, bytes_low=True), (), 'bytes = "low-first"'),
    "words of a long": (LONG, replace(LONG_DEVICE, words_low=True), (), 'words = "low-first"'),
    "address below": (AS_LOOP, replace(LOOP_DEVICE, address=19), (), "address = 19"),
    "address above": (AS_LOOP, replace(LOOP_DEVICE, address=21), (), "address = 21"),
    "address of a float": (FLOAT, replace(FLOAT_DEVICE, address=19), (), "address = 19"),
    "table": (AS_LOOP, replace(LOOP_DEVICE, table=Table.HOLDING), (), 'table = "holding"'),
    "table of a float": (FLOAT, replace(FLOAT_DEVICE, table=Table.HOLDING), (), 'table = "holding"'),
    "unit": (AS_LOOP, replace(LOOP_DEVICE, unit=3), (1, 2, 3), "unit = 3"),
    "float32 for a long": (LONG, replace(LONG_DEVICE, kind=RegisterKind.FLOAT32), (), 'type = "float32"'),
    "float64": (FLOAT, replace(FLOAT_DEVICE, kind=RegisterKind.FLOAT64), (), 'type = "float64"'),
    "both orders": (
        FLOAT, replace(FLOAT_DEVICE, words_low=True, bytes_low=True), (), 'words = "low-first", bytes = "low-first"',
    ),
    "address and words": (
        FLOAT, replace(FLOAT_DEVICE, address=19, words_low=True), (), 'address = 19, words = "low-first"',
    ),
}  # fmt: skip


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(("written", "device", "units", "mend"), SINGLE.values(), ids=SINGLE.keys())
def test_the_true_mistake_ranks_first(
    written: Point, device: Device, units: tuple[int, ...], mend: str, seed: int
) -> None:
    """Two levels far from each other, a fifth of a tolerance of noise. (Of 100 seeds a kind 1,498 of 1,500 pass.)"""
    chance = random.Random(seed)
    low, high = chance.uniform(12, 35), chance.uniform(70, 95)  # 65 is where a long's high word begins
    noise = 0.001 * (device.count(100.0) - device.count(0.0))
    levels = [device.level(x, chance, noise) for x in (low, high)]
    found = ranked(written, *levels, units=units)
    told(found, mend)
    assert found.suspects[0].probability > 0.5
    assert max(abs(one) for one in found.suspects[0].residuals) < 3 * tolerance(written, high)


def told(found: Ranking, mend: str) -> None:
    """The mistake is named first. What reads the same over the whole range may be named in its place."""
    first = found.suspects[0]
    assert found.verdict == ("found" if mend else "as-written"), [one.hypothesis.says for one in found.suspects]
    assert (mend or "as the rig file has it") in [one.says for one in (first.hypothesis, *first.same)]
    assert len(first.hypothesis.mistakes) == (len(re.split(", (?=[a-z])", mend)) if mend else 0)


FLOW = replace(point(Direct(scale=GPM)), name="aux-flow", role="inlet-flow")
FLOW_LOOP = replace(FLOW, signal=CurrentLoop(raw_low=0.0, raw_high=27648.0, low=0.0, high=150 * GPM))
TENTHS = point(Linear(raw_low=0.0, raw_high=1000.0, low=0.0, high=100.0))
OHMS = point(Pt100(ohms_per_count=0.01), RegisterKind.UINT16)
TENTHS_OF_C = 'signal = { kind = "linear", raw = [0, 1000], range = ["0 degC", "100 degC"] }'
OTHERWISE = {
    "a card of 0 to 20 mA": (FLOW_LOOP, lambda x: 5529.6 + 22118.4 * x / (150 * GPM), "raw = [5529.6, 27648]"),
    "the ends the wrong way round": (FLOW_LOOP, lambda x: 27648 * (1 - x / (150 * GPM)), "raw = [27648, 0]"),
    "no root taken": (FLOW_LOOP, lambda x: 27648 * (x / (150 * GPM)) ** 2, 'kind = "root"'),
    "ten times": (FLOW, lambda x: 10 * x / GPM, "scale x 0.1"),
    "L/min": (FLOW, lambda x: 60e3 * x, 'unit = "L/min"'),
    "degF for degC": (point(Direct()), lambda x: 1.8 * x + 32, 'unit = "degF"'),
    "tenths of degF for degC": (TENTHS, lambda x: 18 * x + 320, 'range = ["0 degF", "100 degF"]'),
    "hundredths for tenths": (TENTHS, lambda x: 100 * x, "raw = [0, 10000]"),
    "whole degrees for tenths": (TENTHS, lambda x: x, "raw = [0, 100]"),
    "ohms in tenths": (OHMS, lambda x: 10 * ohms(x), "ohms-per-count = 0.1"),
    "degrees for ohms": (OHMS, lambda x: 10 * x, TENTHS_OF_C),
}


@pytest.mark.parametrize(("written", "count", "mend"), OTHERWISE.values(), ids=OTHERWISE.keys())
def test_what_is_scaled_otherwise_is_told(written: Point, count: Callable[[float], float], mend: str) -> None:
    chance = random.Random(1)
    device = Device(kind=RegisterKind.INT16, count=count)
    full = 150 * GPM if written.role == "inlet-flow" else 100.0
    first = ranked(written, *[device.level(x * full, chance) for x in (0.2, 0.8)])
    assert first.verdict == "found", [one.hypothesis.says for one in first.suspects]
    assert mend in [one.says for one in (first.suspects[0].hypothesis, *first.suspects[0].same)]


@pytest.mark.parametrize(
    ("written", "count", "says"),
    [
        (FLOW_LOOP, lambda x: 27648 * x / (200 * GPM), 'range = ["0 gal/min", "200 gal/min"] for its raw'),
        (FLOW_LOOP, lambda x: 27648 * x / (200 * GPM), "raw = [0, 20736] for the range in the rig file"),
        (OHMS, lambda x: 100 * (ohms(x) + 2.5), "lead-ohms = 2.50 would fit"),
    ],
)
def test_what_no_mistake_explains_may_still_lie_on_a_line(
    written: Point, count: Callable[[float], float], says: str
) -> None:
    chance = random.Random(2)
    device = Device(kind=RegisterKind.UINT16, count=count)
    full = 150 * GPM if written.role == "inlet-flow" else 100.0
    found = ranked(written, *[device.level(x * full, chance) for x in (0.2, 0.5, 0.9)])
    assert found.verdict == "none"
    assert says in "\n".join(ranking_lines(found, written, "us"))
    bent = replace(device, count=lambda x: count(x) + 3000 * (0.4 * full < x < 0.6 * full))
    found = ranked(written, *[bent.level(x * full, chance) for x in (0.2, 0.5, 0.9)])
    assert found.straight is None
    assert ranked(written, device.level(0.5 * full, chance)).straight is None


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("really", RAW_SCALES, ids=str)
@pytest.mark.parametrize("written", RAW_SCALES, ids=str)
def test_every_raw_scale_is_told_from_every_other(
    written: tuple[float, float], really: tuple[float, float], seed: int
) -> None:
    """All 64 pairs, uint16 as a card with 65535 needs it."""
    chance = random.Random(seed)
    signal = CurrentLoop(raw_low=written[0], raw_high=written[1], low=0.0, high=100.0)
    device = Device(kind=RegisterKind.UINT16, count=line(*really))
    noise = 0.0005 * (really[1] - really[0])
    levels = [device.level(x, chance, noise) for x in (chance.uniform(5, 30), chance.uniform(75, 98))]
    mend = "" if written == really else f"raw = [{really[0]:g}, {really[1]:g}]"
    told(ranked(point(signal, RegisterKind.UINT16), *levels), mend)


def test_one_level_near_zero_cannot_tell_the_scales_apart_and_says_which_level_would() -> None:
    """0 % is 0 counts in five scales; the level it names then tells them."""
    chance = random.Random(1)
    device = Device(kind=RegisterKind.INT16, count=line(0, 32767))
    first = device.level(0.2, chance)
    found = ranked(AS_LOOP, first)
    assert found.verdict == "cannot-tell"
    fixes = [one.hypothesis.says for one in found.suspects]
    assert {"as the rig file has it", "raw = [0, 32767]", "raw = [0, 10000]"} <= set(fixes)
    for rival in found.rivals:
        if rival.suspect.hypothesis.says == "raw = [0, 32767]":
            told(ranked(AS_LOOP, first, device.level(rival.apart_at, chance)), "raw = [0, 32767]")
            break
    else:
        pytest.fail("the truth is no rival")


@pytest.mark.parametrize(("written", "really"), [("uint16", "int16"), ("int16", "uint16")])
def test_signed_and_unsigned_cannot_be_told_above_zero_but_by_the_level_named(written: str, really: str) -> None:
    """Tenths of a degC: both levels lie where both types read the same; below zero (or beyond 3276.7) they part."""
    chance = random.Random(2)
    as_written = point(Direct(scale=0.1), RegisterKind(written))
    device = Device(kind=RegisterKind(really), count=lambda x: 10.0 * x)
    levels = [device.level(x, chance) for x in (20.0, 80.0)]
    found = ranked(as_written, *levels)
    assert found.verdict == "cannot-tell"
    assert found.suspects[0].hypothesis.says == "as the rig file has it"
    (rival,) = [one for one in found.rivals if one.suspect.hypothesis.mistakes == (Mistake.SIGN,)]
    assert rival.suspect.hypothesis.says == f'type = "{really}"'
    assert rival.apart_at < 0
    if really == "int16":
        told(ranked(as_written, *levels, device.level(rival.apart_at, chance)), 'type = "int16"')


def test_whole_numbers_for_a_float_need_a_level_below_zero() -> None:
    """An int32 in whole degrees; above zero it could as well be unsigned."""
    chance = random.Random(12)
    device = Device(kind=RegisterKind.INT32, count=lambda x: x)
    warm = [device.level(x, chance) for x in (20.0, 80.0)]
    found = ranked(FLOAT, *warm)
    assert found.verdict == "cannot-tell"
    assert 'type = "uint32"' in [one.suspect.hypothesis.says for one in found.rivals]
    told(ranked(FLOAT, *warm, device.level(-20.0, chance)), 'type = "int32"')


def test_unsigned_is_told_from_signed_by_levels_in_its_upper_half() -> None:
    chance = random.Random(3)
    signal = CurrentLoop(raw_low=0.0, raw_high=65535.0, low=0.0, high=100.0)
    device = Device(kind=RegisterKind.UINT16, count=line(0, 65535))
    levels = [device.level(x, chance) for x in (20.0, 80.0)]
    told(ranked(point(signal), *levels), 'type = "uint16"')


def test_a_sign_that_cannot_show_within_the_range_is_no_question() -> None:
    """4000-20000 counts, uint16 and int16 read the same all over, so either will do."""
    chance = random.Random(4)
    signal = CurrentLoop(raw_low=4000.0, raw_high=20000.0, low=0.0, high=100.0)
    device = Device(kind=RegisterKind.INT16, count=line(4000, 20000))
    found = ranked(point(signal, RegisterKind.UINT16), *[device.level(x, chance, 5.0) for x in (25.0, 75.0)])
    told(found, "")
    assert 'type = "int16"' in [one.says for one in found.suspects[0].same]


def test_tables_that_mirror_each_other_cannot_be_told() -> None:
    chance = random.Random(5)
    device = replace(LOOP_DEVICE, mirrors=True)
    found = ranked(AS_LOOP, *[device.level(x, chance) for x in (25.0, 75.0)])
    assert found.verdict == "cannot-tell"
    assert 'table = "holding"' in [one.suspect.hypothesis.says for one in found.rivals]


def test_a_neighbour_that_moved_along_cannot_be_told_until_only_one_moves() -> None:
    """Inlet and outlet stand in the same bath at both levels."""
    chance = random.Random(6)
    levels = []
    for x in (25.0, 75.0):
        level = LOOP_DEVICE.level(x, chance)
        level.cells[UNIT, Table.INPUT][21] = level.cells[UNIT, Table.INPUT][20]  # type: ignore[index]
        levels.append(level)
    found = ranked(AS_LOOP, *levels)
    assert found.verdict == "cannot-tell"
    (rival,) = [one for one in found.rivals if one.suspect.hypothesis.says == "address = 21"]
    third = LOOP_DEVICE.level(rival.apart_at, chance)
    third.cells[UNIT, Table.INPUT][21] = levels[-1].cells[UNIT, Table.INPUT][20]  # type: ignore[index]
    told(ranked(AS_LOOP, *levels, third), "")


def test_two_equal_levels_cannot_tell_more_than_one() -> None:
    chance = random.Random(7)
    levels = [LOOP_DEVICE.level(0.3, chance) for _ in range(2)]
    assert ranked(AS_LOOP, *levels).verdict == "cannot-tell"


def test_what_no_usual_mistake_explains_is_said() -> None:
    chance = random.Random(8)
    device = Device(kind=RegisterKind.INT16, count=lambda x: 20000.0 - 31.0 * x)
    found = ranked(AS_LOOP, *[device.level(x, chance) for x in (20.0, 80.0)])
    assert found.verdict == "none"
    assert found.suspects
    assert sum(one.probability for one in found.suspects) < 0.1


def test_a_neighbour_that_moves_is_no_excuse_for_a_signal_that_stood_still() -> None:
    """Wires exchanged at a card of both signs: nothing fits, and what comes nearest, far off, is another's low byte."""
    written = point(Linear(raw_low=0.0, raw_high=27648.0, low=0.0, high=100.0))
    device = Device(kind=RegisterKind.INT16, count=line(0, -27648))
    levels = []
    for x in (20.0, 75.0):
        read = device.level(x, random.Random(3))
        later = {
            place: {at: word if at == 20 else word + 3 for at, word in held.items()}
            for place, held in read.cells.items()
        }
        levels.append(replace(read, later=(later,)))
    found = ranked(written, *levels)
    assert (found.verdict, found.moved) == ("none", None)
    assert found.straight is not None
    assert found.straight.raw == pytest.approx((0, -27648), abs=2)


def test_what_could_not_be_read_is_no_suspect() -> None:
    """A device that refuses the other table and one neighbour."""
    chance = random.Random(9)
    levels = [replace(LOOP_DEVICE, address=21).level(x, chance) for x in (25.0, 75.0)]
    cut: list[Level] = []
    for level in levels:
        own = {at: word for at, word in level.cells[UNIT, Table.INPUT].items() if at != 19}
        cells: Cells = {(UNIT, Table.INPUT): own}
        cut.append(Level(expected=level.expected, cells=cells))
    told(ranked(AS_LOOP, *cut), "address = 21")
    nothing: Cells = {}
    assert ranked(AS_LOOP, Level(expected=25.0, cells=nothing)).verdict == "none"


@pytest.mark.parametrize("factor", [0.1, 10.0])
def test_a_decimal_point_is_found(factor: float) -> None:
    chance = random.Random(10)
    device = Device(kind=RegisterKind.INT16, count=lambda x: x / factor)
    levels = [device.level(x, chance) for x in (30.0, 80.0)]
    told(ranked(point(Direct()), *levels), f"scale x {factor:g}")


def test_ohms_per_count_is_found() -> None:
    """IEC 60751: 100 degC is 138.5055 ohm, 50 degC 119.397125 ohm."""
    chance = random.Random(11)
    ohms = {50.0: 119.397125, 100.0: 138.5055}
    device = Device(kind=RegisterKind.UINT16, count=lambda x: 100.0 * ohms[x])
    written = point(Pt100(ohms_per_count=0.1), RegisterKind.UINT16)
    told(ranked(written, *[device.level(x, chance) for x in ohms]), "ohms-per-count = 0.01")


class Contact:
    """A register of contacts; bit 3 is ours."""

    @staticmethod
    def level(on: int, word: int, table: Table = Table.INPUT) -> Level:
        return Level(expected=float(on), cells={(UNIT, table): {19: 0, 20: word, 21: 0}})


@pytest.mark.parametrize(
    ("words", "mend"),
    [
        ((0b0000_0000, 0b0000_1000), ""),
        ((0b0000_1000, 0b0000_0000), "inverted = true"),
        ((0b0000_0000, 0b0010_0000), 'type = "bit 5"'),
        ((0b0000_0000, 0b1000_0000_0000), 'bytes = "low-first"'),
    ],
)
def test_contacts(words: tuple[int, int], mend: str) -> None:
    """Bit 11 is bit 3 with the bytes swapped: the same thing said twice."""
    written = point(Bit(), RegisterKind.BIT, bit=3)
    found = ranked(written, Contact.level(0, words[0]), Contact.level(1, words[1]))
    assert found.suspects[0].hypothesis.says == (mend or "as the rig file has it") or mend in [
        one.says for one in found.suspects[0].same
    ]
    assert found.verdict == ("found" if mend else "as-written")


def test_two_contacts_that_moved_together_cannot_be_told() -> None:
    written = point(Bit(), RegisterKind.BIT, bit=3)
    found = ranked(written, Contact.level(0, 0), Contact.level(1, 0b1_1000))
    assert found.verdict == "cannot-tell"
    assert [one.suspect.hypothesis.says for one in found.rivals] == ['type = "bit 4"']
    third = Contact.level(int(found.rivals[0].apart_at), 0b1_0000)
    assert third.expected == 0.0
    told(ranked(written, Contact.level(0, 0), Contact.level(1, 0b1_1000), third), "")


def test_backwards_is_the_inverse_of_forwards_for_every_hypothesis() -> None:
    """Two pieces of code, hypothesis.py (signals) and encode.py, held against each other."""
    for written in (FLOAT, AS_LOOP, LONG, point(Pt100(ohms_per_count=0.01), RegisterKind.UINT16)):
        for one in hypotheses(written, UNIT):
            x = np.linspace(*(measuring_range(written) or (0.0, 100.0)), 9)
            words, can = words_of(one.register, raw_of(one.signal, x))
            for at in np.flatnonzero(can).tolist():
                cells = {(one.unit, one.table): dict(zip(one.addresses, words[at].tolist(), strict=True))}
                back = values(one, [cells])[0]
                step = 1.0 if written is not AS_LOOP else 0.06
                scale = 100.0 if Mistake.SCALE in one.mistakes else 1.0
                assert np.isnan(back) or back == pytest.approx(x[at], abs=step * scale, rel=1e-5), one.says


def test_refusals() -> None:
    with pytest.raises(ValueError, match="levels"):
        rank(AS_LOOP, UNIT, [], tolerance=1.0, span=(0.0, 1.0))
    with pytest.raises(ValueError, match="tolerance"):
        rank(AS_LOOP, UNIT, [Level(expected=1.0, cells={})], tolerance=0.0, span=(0.0, 1.0))


def test_the_four_readings_of_published_words() -> None:
    """123.456 in four orders: words by struct, readings as in the trade sheet, section 4 (own struct and pymodbus)."""
    shown = readings(replace(FLOAT, role="hook-load"), (0x42F6, 0xE979))
    assert [f"{value:.6g}" for value, _ in shown.values()] == ["123.456", "-9.86112e+32", "-1.88337e+25", "1.5185e+35"]
    assert [plausible for _, plausible in shown.values()] == [True, False, False, False]


def test_a_round_number_with_swapped_words_is_not_plausible() -> None:
    """75.0 read low word first is 2.39e-41, which prints as 0: no measurement."""
    shown = readings(replace(FLOAT, register=Register(kind=RegisterKind.FLOAT32)), (0x0000, 0x4296))
    assert [plausible for _, plausible in shown.values()] == [False, False, True, False]
    assert list(shown) == [
        "high-first/high-first",
        "high-first/low-first",
        "low-first/high-first",
        "low-first/low-first",
    ]


def test_zero_is_plausible_and_bits_have_no_orders() -> None:
    assert all(plausible for _, plausible in readings(FLOAT, (0, 0)).values())
    assert readings(point(Bit(), RegisterKind.BIT, bit=1), (1,)) == {}
    assert readings(FLOAT, ()) == {}


def test_a_level_that_is_named_is_one_that_water_has_and_it_tells() -> None:
    """A float with its low word first, tenths of another signal behind it: one address on it reads nearly the same."""
    chance = random.Random(13)
    device = replace(FLOAT_DEVICE, words_low=True)
    levels = [device.level(29.137, chance)]
    found = rank(FLOAT, UNIT, levels, tolerance=0.5, span=span(FLOAT), likely=(0.0, 100.0))
    assert found.verdict == "cannot-tell"
    beside = [one for one in found.rivals if Mistake.ADDRESS in one.suspect.hypothesis.mistakes]
    beside += [one for one in found.rivals if Mistake.WORDS in one.suspect.hypothesis.mistakes]
    assert beside
    for one in beside:
        assert one.apart_at is not None
        assert 0.0 <= one.apart_at <= 100.0
    second = device.level(beside[0].apart_at or 0.0, chance)
    told(rank(FLOAT, UNIT, [*levels, second], tolerance=0.5, span=span(FLOAT), likely=(0.0, 100.0)), SINGLE["words"][3])


def test_where_no_level_tells_two_apart_none_is_named() -> None:
    """Within 10 % of the range two scales part by less than noise may hide."""
    chance = random.Random(14)
    found = rank(AS_LOOP, UNIT, [LOOP_DEVICE.level(0.2, chance)], tolerance=0.5, span=(0.0, 10.0))
    rivals = {one.suspect.hypothesis.says: one.apart_at for one in found.rivals}
    assert rivals["raw = [0, 32767]"] is None
    assert rivals["raw = [0, 10000]"] is not None


def test_a_sensor_is_brought_to_what_its_place_has() -> None:
    rig = load(Path(__file__).parents[2] / "config" / "rig-4-full.toml")
    points = {one.role: replace(one, signal=Direct()) for one in rig.points}
    (brake,), (tank,) = rig.brakes, rig.tanks
    assert likely(points["inlet-temperature"], rig) == (0.0, 100.0)
    assert likely(points["brake-level"], rig) == (0.0, brake.bearing_level)
    assert likely(points["tank-level"], rig) == (0.0, tank.height)
    assert likely(points["inlet-flow"], rig)[1] <= 2 * brake.least_flow
    assert likely(AS_LOOP, rig) == (0.0, 100.0)
