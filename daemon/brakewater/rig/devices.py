"""What a rig file must hold of its devices beyond the shape of their tables: transports, lines, holes, cadence."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from brakewater.rig.faults import Faults
from brakewater.rig.located import At
from brakewater.rig.model import Point
from brakewater.rig.tables import Device, PointEntry

_LINE: Final = ("baud", "frame_gap", "turnaround", "echo")
_OF: Final[dict[str, tuple[str, ...]]] = {
    "tcp": ("host", "port"),
    "tls": ("host", "port", "ca", "certificate", "key", "server_name"),
    "rtu": ("serial", *_LINE, "parity", "stop_bits"),
    "rtu-over-tcp": ("host", "port", *_LINE),
}
"""Keys that stand beside each transport."""
_NEEDS: Final[dict[str, tuple[str, ...]]] = {
    "tcp": ("host",),
    "tls": ("host", "ca"),
    "rtu": ("serial",),
    "rtu-over-tcp": ("host", "port"),
}
_ANY: Final = {key for keys in _OF.values() for key in keys}
_LAST_UNIT: Final = 247
"""Of a serial line; 0 is for all and gets no answer (MODBUS over Serial Line V1.02, 2.2; from memory)."""


def transports(devices: Sequence[At[Device]], faults: Faults) -> None:
    """The keys fit the transport, and devices of one line agree on it."""
    first: dict[str, At[Device]] = {}
    for at in devices:
        before = faults.count
        _keys(at, faults)
        if faults.count == before:
            _agree(first.setdefault(at.item.line, at), at, faults)


def _keys(at: At[Device], faults: Faults) -> None:
    device = at.item
    fits, given = _OF[device.transport], device.model_fields_set
    for field in sorted(given & _ANY - set(fits)):
        others = " or ".join(f'"{name}"' for name, keys in _OF.items() if field in keys)
        faults.add(
            (*at.path, _key(field)),
            f"it with transport {device.transport!r}",
            f"it with transport {others} only; {device.transport} takes: {', '.join(map(_key, fits))}",
        )
    for field in _NEEDS[device.transport]:
        if field not in given or getattr(device, field) in ("", None):
            faults.add((*at.path, _key(field)), "nothing", f"a value: transport {device.transport!r} needs this key")
    if device.key is not None and device.certificate is None:
        faults.add((*at.path, "key"), "a key without a certificate", "both, or neither")
    if device.transport.startswith("rtu") and not 1 <= device.unit <= _LAST_UNIT:
        faults.add((*at.path, "unit"), str(device.unit), f"1 to {_LAST_UNIT} on a serial line; 0 is never answered")
    if device.serial and not device.serial.startswith("/"):
        faults.add((*at.path, "serial"), repr(device.serial), "a device file, for example /dev/ttyUSB0")


def _agree(first: At[Device], at: At[Device], faults: Faults) -> None:
    one, other = first.item, at.item
    for field in ("transport", *_OF[other.transport]):
        if getattr(one, field) != getattr(other, field):
            key = _key(field)
            found = f"{_said(other, field)} at {other.line}, where device {one.name!r} has {_said(one, field)}"
            faults.add((*at.path, key), found, "the same: devices of one line share it")
            return


def _said(device: Device, field: str) -> str:
    value = getattr(device, field)
    return f"{value / 1e6:g} ms" if field in ("frame_gap", "turnaround") else repr(value)


def _key(field: str) -> str:
    return field.replace("_", "-")


def holes(
    devices: Sequence[At[Device]], entries: Iterable[At[PointEntry]], points: Mapping[Any, Point | None], faults: Faults
) -> None:
    """No point lies where nothing may be read."""
    by_name = {at.item.name: at.item for at in devices}
    for at in entries:
        point = points.get(at.path)
        device = by_name.get(at.item.device)
        if point is not None and device is not None and device.has_hole(point.table, point.address, point.count):
            faults.add(
                (*at.path, "address" if at.item.address is not None else "reference"),
                f"{point.table.value} {point.address}, in a hole of {device.name}",
                "an address outside of the device's holes",
            )


def widths(
    devices: Sequence[At[Device]], entries: Iterable[At[PointEntry]], points: Mapping[Any, Point | None], faults: Faults
) -> None:
    """No point is wider than its device gives registers in one answer: it would have to be read in halves."""
    by_name = {at.item.name: at.item for at in devices}
    for at in entries:
        point, device = points.get(at.path), by_name.get(at.item.device)
        if point is None or device is None or point.table.is_bits or point.count <= device.max_registers:
            continue
        limit = f"{device.name} with max-registers {device.max_registers}"
        found = f"{point.register.kind.value}, {point.count} registers, of {limit}"
        allowed = "a type that fits into one answer; halves read apart may belong to two numbers"
        faults.add((*at.path, "type"), found, allowed, "raise max-registers where the device's manual allows it")


def cadence(scan_ns: int | None, devices: Sequence[At[Device]], points: Iterable[Point], faults: Faults) -> None:
    """A device must answer before it is asked again."""
    if scan_ns is None:
        return
    paces: dict[str, list[int]] = {}
    for point in points:
        paces.setdefault(point.device, []).append(point.every)
    for at in devices:
        every = min(paces.get(at.item.name, [at.item.every]))
        if at.item.timeout > every * scan_ns:
            found = f"{at.item.timeout / 1e6:g} ms"
            if every == 1:
                allowed = f"at most the scan of {scan_ns / 1e6:g} ms, or a slow device would hold up the others"
                faults.add((*at.path, "timeout"), found, allowed, "a slow line is read less often: every = 5")
            else:
                allowed = f"at most {every * scan_ns / 1e6:g} ms: some of it is read every {every} scans"
                faults.add((*at.path, "timeout"), found, allowed)


def heartbeats(
    scan_ns: int | None, devices: Sequence[At[Device]], points: Mapping[Any, Point | None], faults: Faults
) -> None:
    """One heartbeat a device at most, met often enough to be told from a stuck one."""
    pulse: dict[str, Point] = {}
    for path, point in points.items():
        if point is None or point.role != "heartbeat":
            continue
        if point.device in pulse:
            found = f"a second heartbeat of {point.device}, beside {pulse[point.device].name!r}"
            faults.add((*path, "role"), found, "one a device")
        pulse[point.device] = point
    for at in devices:
        beat = pulse.get(at.item.name)
        if beat is None:
            if "stuck_after" in at.item.model_fields_set and None not in points.values():
                allowed = 'a point of this device with role = "heartbeat" beside it, or no stuck-after'
                faults.add((*at.path, "stuck-after"), "no heartbeat to go by", allowed)
        elif scan_ns is not None and at.item.stuck_after < 3 * beat.every * scan_ns:
            allowed = f"at least {3 * beat.every * scan_ns / 1e9:g} s: three readings of {beat.name!r}"
            faults.add((*at.path, "stuck-after"), f"{at.item.stuck_after / 1e9:g} s", allowed)
