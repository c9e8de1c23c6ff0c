"""Flow from a frequency, and from a differential pressure.

A turbine, vortex or paddle-wheel meter gives K pulses a m3, so Q = f / K. Across an orifice or a venturi the pressure
drops with the square of the flow, so Q = full scale x sqrt(share of span). Near zero both have nothing to say: a
frequency below what the meter can turn at, a pressure within the zero error of its transmitter. There the flow is 0.

Source of the square root: the 4-20 mA table of sensorsone.com; of Q = f / K: any meter's calibration sheet. That a cut
of 1 % of the pressure span (10 % of the flow) is usual is common practice, no published source.
"""

from dataclasses import dataclass

import numpy as np

from brakewater.quality import Codes, Reason
from brakewater.signals import loop, require
from brakewater.stream import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Frequency:
    """A frequency: Hz = hz_per_count * number; flow = Hz / pulses_per_m3 in m3/s."""

    pulses_per_m3: float
    """K-factor."""
    hz_per_count: float = 1.0
    """0.1 where the register counts tenths of a Hz."""
    least_hz: float = 0.0
    """Below this the flow is 0."""

    def __post_init__(self) -> None:
        require.above_zero("pulses_per_m3", self.pulses_per_m3, "take it from the meter's calibration sheet")
        require.above_zero("hz_per_count", self.hz_per_count, "1 where the register holds Hz")
        require.finite(least_hz=self.least_hz)
        require.between("least_hz", self.least_hz, 0.0, 1e6, "the frequency at the meter's least flow")


@dataclass(frozen=True, slots=True, kw_only=True)
class Root:
    """A differential pressure: flow = full_scale * sqrt(share of span) in m3/s.

    Not for a transmitter that takes the root itself: that one is a ``Linear`` or a ``CurrentLoop``.
    """

    raw_low: float
    """Counts at no pressure (4 mA)."""
    raw_high: float
    """Counts at full pressure (20 mA)."""
    full_scale: float
    """Flow in m3/s at full pressure."""
    cut: float = 0.01
    """Share of the pressure's span below which the flow is 0."""
    loop: bool = False
    """A 4-20 mA loop, whose current tells a failed transmitter after NAMUR NE 43."""

    def __post_init__(self) -> None:
        require.different_counts(self.raw_low, self.raw_high)
        require.above_zero("full_scale", self.full_scale, "give the flow at full pressure")
        require.between("cut", self.cut, 0.0, 0.25, "a share of the pressure's span, for example 0.01")


def of_frequency(raw: Floats, signal: Frequency) -> tuple[Floats, Codes]:
    """Flow in m3/s and codes of n numbers. A frequency below zero is none: ``OUT_OF_SENSOR_RANGE``."""
    hz = signal.hz_per_count * raw
    codes = np.where(hz < 0.0, np.uint8(Reason.OUT_OF_SENSOR_RANGE), np.uint8(Reason.GOOD))
    return np.where(hz < signal.least_hz, 0.0, hz / signal.pulses_per_m3), codes


def of_pressure(raw: Floats, signal: Root) -> tuple[Floats, Codes]:
    """Flow in m3/s and codes of n numbers; 0 below the cut, so also where the pressure is below zero."""
    share = (raw - signal.raw_low) / (signal.raw_high - signal.raw_low)
    flow = np.where(share < signal.cut, 0.0, signal.full_scale * np.sqrt(np.maximum(share, 0.0)))
    if signal.loop:
        return flow, loop.codes(loop.milliamps(raw, signal.raw_low, signal.raw_high))
    return flow, np.zeros(len(raw), np.uint8)
