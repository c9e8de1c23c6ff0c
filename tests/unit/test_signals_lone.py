"""A lone scan's reading against the conversion of whole columns: the same bits, or none at all."""

import struct
from typing import get_args

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from brakewater.engine.conditioned import beyond
from brakewater.quality import Reason
from brakewater.signals import convert as laws
from brakewater.signals.convert import AnySignal, Bit, CurrentLoop, Direct, Linear, Pt100, Register, convert
from brakewater.signals.flow import Root
from brakewater.signals.lone import reading
from brakewater.signals.words import RegisterKind, register_count

SIGNALS = [
    Direct(scale=0.1, offset=-40.0),
    Direct(scale=1e300),
    Linear(raw_low=0, raw_high=27648, low=0.1, high=0.3),
    Linear(raw_low=27648, raw_high=4000, low=-40.0, high=60.0),
    CurrentLoop(raw_low=0, raw_high=27648, low=0.0, high=0.00946),
    CurrentLoop(raw_low=20000, raw_high=4000, low=0.0, high=10.0),
    Pt100(ohms_per_count=0.01),
    Pt100(ohms_per_count=0.1, ohms_offset=-1.2, r0=1000.0),
    Bit(),
    Bit(inverted=True),
]
KINDS = [kind for kind in RegisterKind if kind is not RegisterKind.BIT]
registers = st.builds(
    Register, kind=st.sampled_from(KINDS), words_high_first=st.booleans(), bytes_high_first=st.booleans()
) | st.builds(
    Register,
    kind=st.just(RegisterKind.BIT),
    bytes_high_first=st.booleans(),
    bit=st.none() | st.integers(0, 15),
)
floats = st.floats(width=32).map(lambda x: list(struct.unpack(">2H", struct.pack(">f", x))))
words_of_4 = st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=4) | floats.map(lambda two: two * 2)


@settings(max_examples=1500, deadline=None)
@given(
    register=registers,
    signal=st.sampled_from(SIGNALS),
    words=words_of_4,
    sensor_range=st.none() | st.just((-10.0, 200.0)),
)
def test_the_same_bits_or_none(
    register: Register, signal: AnySignal, words: list[int], sensor_range: tuple[float, float] | None
) -> None:
    words = words[: register_count(register.kind)]
    read = reading(register, signal, sensor_range)
    assert read is not None
    told = read(words)
    whole = convert(register, signal, np.array([words], np.uint16), np.zeros(1, np.uint8))
    values, codes = beyond(*whole, sensor_range)
    if told is not None:
        assert (np.array(told[:1]).tobytes(), told[1]) == (values.tobytes(), codes[0])
    elif codes[0] == 0:  # the cold side of a thermometer is the only one left to the other
        assert isinstance(signal, Pt100)
        assert values[0] < 0.0


def test_every_count_of_a_loop() -> None:
    signal, register = SIGNALS[4], Register(kind=RegisterKind.INT16)
    read = reading(register, signal, None)
    assert read is not None
    counts = np.arange(65536, dtype=np.uint16)
    values, codes = convert(register, signal, counts[:, np.newaxis], np.zeros(65536, np.uint8))
    low = int(Reason.LOOP_LOW)
    wanted = [told if told[1] in {0, low} else None for told in zip(values.tolist(), codes.tolist(), strict=True)]
    found = [read([count]) for count in range(65536)]
    on_the_limit = [at for at in range(65536) if found[at] != wanted[at]]
    assert all(found[at] is None and wanted[at] == (0.0, low) for at in on_the_limit)
    assert len(on_the_limit) <= 1


def test_what_only_the_other_knows() -> None:
    assert reading(Register(kind=RegisterKind.INT16), Root(raw_low=0, raw_high=1000, full_scale=0.01), None) is None
    assert {type(signal) for signal in SIGNALS} == set(get_args(laws.Signal))


def test_both_ends_of_a_sensors_range_belong_to_it() -> None:
    read = reading(Register(kind=RegisterKind.UINT16), Direct(), (10.0, 20.0))
    assert read is not None
    outside = 0.0, Reason.OUT_OF_SENSOR_RANGE
    assert [read([raw]) for raw in (9, 10, 20, 21)] == [outside, (10.0, 0), (20.0, 0), outside]
    raws = np.array([9.0, 10.0, 20.0, 21.0])
    assert beyond(raws, np.zeros(4, np.uint8), (10.0, 20.0))[1].tolist() == [80, 0, 0, 80]
