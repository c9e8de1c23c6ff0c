"""The daemon's own points: the device ``self``, polled into every scan like any other."""

from brakewater.rig.model import SELF, Point, Table
from brakewater.signals.convert import Bit, Direct, Register, Signal
from brakewater.signals.words import RegisterKind


def points(mirrors: tuple[str, ...], *, broker: bool, lamp_writes: bool = False) -> tuple[Point, ...]:
    """Points of ``self`` for a rig with these links; addresses count up from 0 in its holding table.

    Lateness is in microseconds in the registers, ages in milliseconds, a clock step in milliseconds with sign, the
    share of the record's disk that is used in ten-thousandths.
    """
    rows: list[tuple[str, RegisterKind, Signal]] = [
        ("self.lateness", RegisterKind.UINT32, Direct(scale=1e-6)),
        ("self.commit-age", RegisterKind.UINT32, Direct(scale=1e-3)),
        ("self.queued", RegisterKind.UINT32, Direct()),
        ("self.clock-step", RegisterKind.INT32, Direct(scale=1e-3)),
    ]
    if broker:
        rows.append(("self.broker", RegisterKind.UINT16, Bit()))
    rows.append(("self.disk-used", RegisterKind.UINT16, Direct(scale=1e-4)))
    rows += [(f"self.mirror.{name}", RegisterKind.UINT32, Direct(scale=1e-3)) for name in mirrors]
    if lamp_writes:
        rows.append(("self.lamp-writes", RegisterKind.UINT16, Bit()))
    made, address = [], 0
    for name, kind, signal in rows:
        register = Register(kind=kind)
        point = Point(
            name=name, role=name, brake=None, device=SELF, table=Table.HOLDING, address=address, register=register,
            signal=signal,
        )  # fmt: skip
        made.append(point)
        address += point.count
    return tuple(made)
