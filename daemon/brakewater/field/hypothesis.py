"""What may be wrong between a rig file and a device: the usual mistakes, each as another way to read the same device.

A hypothesis says from which cells a point's number comes and what it stands for. It can be asked forwards (cells to
value) and backwards (value to cells), so that two of them can be held against each other before anyone moves a signal.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations, product
from typing import Any, Final

import numpy as np

from brakewater.quality import is_bad
from brakewater.rig import Point, Table
from brakewater.rig.roles import ROLES
from brakewater.signals.convert import AnySignal, Bit, CurrentLoop, Direct, Linear, Pt100, Register, convert
from brakewater.signals.flow import Root
from brakewater.signals.words import RegisterKind, register_count
from brakewater.stream import Floats
from brakewater.units import UNITS, Dimension, parse, to_unit

Cells = Mapping[tuple[int, Table], Mapping[int, int]]
"""(unit, table) -> wire address -> register word, or 0 and 1 of a bit; what could not be read is not in it."""

RAW_SCALES: Final = (
    (4000.0, 20000.0),
    (6400.0, 32000.0),
    (0.0, 27648.0),
    (0.0, 32767.0),
    (0.0, 65535.0),
    (0.0, 10000.0),
    (819.0, 4095.0),
    (6553.4, 32767.0),
)
"""Counts at 4 and 20 mA that input cards give. Common practice, no published source."""
DECIMALS: Final = (0.01, 0.1, 10.0, 100.0)
"""Where a register holds the value itself, the decimal point may have been set wrong by so much."""

_SAME_SCALE = 1e-3
_PARTNERS = {
    Table.INPUT: Table.HOLDING,
    Table.HOLDING: Table.INPUT,
    Table.COIL: Table.DISCRETE,
    Table.DISCRETE: Table.COIL,
}
_SIGNS = {
    RegisterKind.INT16: RegisterKind.UINT16,
    RegisterKind.UINT16: RegisterKind.INT16,
    RegisterKind.INT32: RegisterKind.UINT32,
    RegisterKind.UINT32: RegisterKind.INT32,
}
_NUMBERS = tuple(kind for kind in RegisterKind if kind is not RegisterKind.BIT)


class Mistake(StrEnum):
    """One kind of wiring or rig file mistake."""

    WORDS = "swapped-words"
    BYTES = "swapped-bytes"
    ADDRESS = "off-by-one"
    TABLE = "wrong-table"
    UNIT = "wrong-unit"
    SIGN = "wrong-sign"
    TYPE = "wrong-type"
    SCALE = "wrong-scale"
    BIT = "wrong-bit"
    SENSE = "inverted"


WEIGHTS: Final = {
    Mistake.WORDS: 1.0,
    Mistake.ADDRESS: 1.0,
    Mistake.TABLE: 0.8,
    Mistake.SCALE: 0.7,
    Mistake.SIGN: 0.7,
    Mistake.UNIT: 0.6,
    Mistake.TYPE: 0.6,
    Mistake.SENSE: 0.6,
    Mistake.BYTES: 0.5,
    Mistake.BIT: 0.5,
}
"""How usual each is beside a rig file without a mistake (1). An assumption; it decides only where readings do not."""
SECOND: Final = 0.02
"""A second mistake on the same point is so much rarer again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """One way to read a point."""

    unit: int
    table: Table
    address: int
    register: Register
    signal: AnySignal
    mistakes: tuple[Mistake, ...] = ()
    """How it differs from the rig file; nothing for the rig file itself."""
    mend: tuple[str, ...] = ()
    """What would have to stand in the rig file instead, key by key."""

    @property
    def weight(self) -> float:
        """How usual it is before anything was read; 1 for the rig file itself."""
        weight = SECOND ** max(0, len(self.mistakes) - 1)
        for mistake in self.mistakes:
            weight *= WEIGHTS[mistake]
        return weight

    @property
    def says(self) -> str:
        """For people: what to write."""
        return ", ".join(self.mend) or "as the rig file has it"

    @property
    def addresses(self) -> range:
        """The cells it reads."""
        count = 1 if self.table.is_bits else register_count(self.register.kind)
        return range(self.address, self.address + count)


def as_written(point: Point, unit: int) -> Hypothesis:
    """The rig file itself."""
    return Hypothesis(unit=unit, table=point.table, address=point.address, register=point.register, signal=point.signal)


def hypotheses(point: Point, unit: int, units: Sequence[int] = ()) -> list[Hypothesis]:
    """The rig file itself, every single mistake, and every pair of two kinds; a wrong unit only by itself.

    Args:
        point: as the rig file has it.
        unit: the unit number of its device.
        units: other unit numbers to consider.
    """
    base = as_written(point, unit)
    axes = _axes(base, ROLES[point.role].dimension)
    found = [base, *(one for axis in axes.values() for change in axis if (one := _changed(base, (change,))))]
    for first, second in combinations(axes, 2):
        pairs = product(axes[first], axes[second])
        found += [one for pair in pairs if (one := _changed(base, pair))]
    others = [number for number in units if number != unit]
    found += [replace(base, unit=n, mistakes=(Mistake.UNIT,), mend=(f"unit = {n}",)) for n in others]
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Change:
    mistake: Mistake
    mend: str
    fields: Mapping[str, Any]
    """Of the hypothesis; a key ``register.x`` goes into its register."""


def _axes(base: Hypothesis, dimension: Dimension) -> dict[str, list[_Change]]:
    """Alternatives by what they change; two of one list exclude each other."""
    register, other = base.register, _PARTNERS[base.table]
    neighbours = [at for at in (base.address - 1, base.address + 1) if 0 <= at <= 0xFFFF]
    axes = {
        "table": [_Change(mistake=Mistake.TABLE, mend=f'table = "{other.value}"', fields={"table": other})],
        "address": [
            _Change(mistake=Mistake.ADDRESS, mend=f"address = {at}", fields={"address": at}) for at in neighbours
        ],
        "signal": list(_signals(base.signal, dimension)),
    }
    if not base.table.is_bits:
        axes["words"] = [_order(Mistake.WORDS, "words", first=not register.words_high_first)]
        axes["bytes"] = [_order(Mistake.BYTES, "bytes", first=not register.bytes_high_first)]
        axes["type"] = list(_types(register))
    return axes


def _order(mistake: Mistake, key: str, *, first: bool) -> _Change:
    mend = f'{key} = "{"high-first" if first else "low-first"}"'
    return _Change(mistake=mistake, mend=mend, fields={f"register.{key}_high_first": first})


def _types(register: Register) -> Iterator[_Change]:
    if register.kind is RegisterKind.BIT:
        for bit in range(16):
            if bit != register.bit:
                yield _Change(mistake=Mistake.BIT, mend=f'type = "bit {bit}"', fields={"register.bit": bit})
        return
    for kind in _NUMBERS:
        if kind is not register.kind:
            mistake = Mistake.SIGN if _SIGNS.get(register.kind) is kind else Mistake.TYPE
            yield _Change(mistake=mistake, mend=f'type = "{kind.value}"', fields={"register.kind": kind})


def _signals(signal: AnySignal, dimension: Dimension) -> Iterator[_Change]:
    match signal:
        case Linear() | CurrentLoop() | Root():
            for low, high in _counts(signal):
                yield _scaled(f"raw = [{low:g}, {high:g}]", replace(signal, raw_low=low, raw_high=high))
            yield from _roots(signal, dimension)
            if isinstance(signal, Linear) and dimension is Dimension.TEMPERATURE:
                yield from _degrees(signal)
        case Direct():
            yield from _units(signal, dimension)
        case Pt100():
            yield from _thermometers(signal)
        case Bit():
            mend = f"inverted = {'false' if signal.inverted else 'true'}"
            yield _Change(mistake=Mistake.SENSE, mend=mend, fields={"signal": Bit(inverted=not signal.inverted)})
        case _:
            return


def _scaled(mend: str, signal: AnySignal) -> _Change:
    return _Change(mistake=Mistake.SCALE, mend=mend, fields={"signal": signal})


def _units(signal: Direct, dimension: Dimension) -> Iterator[_Change]:
    """The decimal point, or the unit in which the device sends."""
    for factor in DECIMALS:
        yield _scaled(f"scale x {factor:g}", replace(signal, scale=signal.scale * factor))
    for name, unit in UNITS.items():
        if unit.dimension is dimension and (unit.factor, unit.offset) != (signal.scale, signal.offset):
            yield _scaled(f'unit = "{name}"', Direct(scale=unit.factor, offset=unit.offset))


def _thermometers(signal: Pt100) -> Iterator[_Change]:
    """The decimal point, or a card that has worked the temperature out already."""
    for factor in DECIMALS:
        per_count = signal.ohms_per_count * factor
        yield _scaled(f"ohms-per-count = {per_count:g}", replace(signal, ohms_per_count=per_count))
    for name, counts in product(("degC", "degF"), (1, 10, 100)):
        low, high = (parse(f"{end} {name}", Dimension.TEMPERATURE) for end in (0, 100))
        mend = f'signal = {{ kind = "linear", raw = [0, {100 * counts}], range = ["0 {name}", "100 {name}"] }}'
        yield _scaled(mend, Linear(raw_low=0.0, raw_high=100.0 * counts, low=low, high=high))


def _counts(signal: Linear | CurrentLoop | Root) -> Iterator[tuple[float, float]]:
    """Other counts at both ends: of other cards, the wrong way round, and of 0 to 20 mA for 4 to 20 mA and back."""
    width = signal.raw_high - signal.raw_low
    others = [
        *RAW_SCALES,
        (signal.raw_low + 0.2 * width, signal.raw_high),
        (signal.raw_low - 0.25 * width, signal.raw_high),
        (signal.raw_high, signal.raw_low),
    ]
    if isinstance(signal, Linear):  # tenths, hundredths
        others += [(signal.raw_low * factor, signal.raw_high * factor) for factor in DECIMALS]
    known = [(signal.raw_low, signal.raw_high)]
    for low, high in others:
        if all(max(abs(low - one), abs(high - other)) > _SAME_SCALE * abs(width) for one, other in known):
            known.append((low, high))
            yield low, high


def _roots(signal: Linear | CurrentLoop | Root, dimension: Dimension) -> Iterator[_Change]:
    """The root of a differential pressure is taken twice, or by nobody."""
    ends = {"raw_low": signal.raw_low, "raw_high": signal.raw_high}
    if isinstance(signal, Root):
        kind = "current-loop" if signal.loop else "linear"
        line = (CurrentLoop if signal.loop else Linear)(**ends, low=0.0, high=signal.full_scale)
        yield _scaled(f'kind = "{kind}"', line)
    elif dimension is Dimension.FLOW and signal.low == 0.0 < signal.high:
        loop = isinstance(signal, CurrentLoop)
        yield _scaled('kind = "root"', Root(**ends, full_scale=signal.high, loop=loop))


def _degrees(signal: Linear) -> Iterator[_Change]:
    """The numbers of the range are of the other scale of temperature."""
    for here, there in (("degC", "degF"), ("degF", "degC")):
        low, high = (to_unit(end, here) for end in (signal.low, signal.high))
        ends = [parse(f"{round(end, 6)} {there}", Dimension.TEMPERATURE) for end in (low, high)]
        mend = f'range = ["{low:.6g} {there}", "{high:.6g} {there}"]'
        yield _scaled(mend, replace(signal, low=ends[0], high=ends[1]))


def _changed(base: Hypothesis, changes: Sequence[_Change]) -> Hypothesis | None:
    """None where a change means nothing: the order of words where there is one word."""
    register, own = base.register, {}
    for change in changes:
        for key, value in change.fields.items():
            if key.startswith("register."):
                register = replace(register, **{key.removeprefix("register."): value})
            else:
                own[key] = value
    mistakes = tuple(change.mistake for change in changes)
    if Mistake.WORDS in mistakes and register_count(register.kind) == 1:
        return None
    mend = tuple(change.mend for change in changes)
    return replace(base, **own, register=register, mistakes=mistakes, mend=mend)


def values(hypothesis: Hypothesis, levels: Sequence[Cells]) -> Floats:
    """[n] values in SI, one a level; NaN where its cells were not read or hold nothing that makes sense."""
    where = (hypothesis.unit, hypothesis.table)
    rows = [[level.get(where, {}).get(at) for at in hypothesis.addresses] for level in levels]
    known = np.array([None not in row for row in rows])
    words = np.array([[word or 0 for word in row] for row in rows], np.uint16)
    found, codes = convert(hypothesis.register, hypothesis.signal, words, np.zeros(len(rows), np.uint8))
    return np.where(known & ~is_bad(codes), found, np.nan)
