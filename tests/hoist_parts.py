"""Hook load, block and heat of invented stands, a sample a second."""

S = 1_000_000_000
EMPTY_N, FULL_N = 200e3, 900e3
Sample = tuple[float, float]


def still(seconds: int, load: float, block: float) -> list[Sample]:
    return [(load, block)] * seconds


def way(seconds: int, load: float, a: float, b: float) -> list[Sample]:
    return [(load, a + (b - a) * k / seconds) for k in range(1, seconds + 1)]


def lowered(full: float = FULL_N) -> list[Sample]:
    down, slips = way(31, full, 30.0, 1.0), still(8, EMPTY_N, 1.0)
    return [*down, *slips, *way(20, EMPTY_N, 1.0, 29.7), *still(70, EMPTY_N, 29.7), *way(6, full, 29.7, 30.0)]


def pulled() -> list[Sample]:
    up, rack = way(40, FULL_N, 1.0, 30.0), still(60, EMPTY_N, 29.7)
    return [*up, *rack, *way(20, EMPTY_N, 29.7, 1.0), *still(8, EMPTY_N, 1.0)]


def pulse(top: float, trough: float, seconds: int = 120) -> list[float]:
    rise = seconds // 4
    up = [trough + (top - trough) * k / rise for k in range(rise)]
    return up + [top + (trough - top) * k / (seconds - rise) for k in range(seconds - rise)]
