"""Which points a loop check has proved, computed from the record: the last sheet of each, and what changed since.

A proof stands for a point as it was defined: device, unit, table, address, type, orders, signal, trim; and for the
device's own address and the serial number of the sensor, where its sheet names them. A change of any of these voids it,
from the Start on that brought the change in; the same definition brought back makes it valid again.
"""

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any, Final, Literal

from brakewater.engine.asking import is_meant
from brakewater.engine.commands import mark
from brakewater.errors import DamagedRecordError, RigFileError
from brakewater.record.reader import Record
from brakewater.rig import SELF, Device, Point, Rig, parse
from brakewater.stream import Command, Start
from brakewater.units import utc_text
from brakewater.wording import ENGLISH, Wording
from brakewater.zoned import minute_of

VERB: Final = "loop-sheet"
"""The command whose arguments are a sheet."""
SHEET: Final = "sheet"
_PROVEN: Final = ("device", "table", "address", "register", "signal")
"""Fields of a point on which a reading depends; of its conditioning the trim alone."""

Said = Start | Command


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """How a point stands."""

    point: str
    status: Literal["proved", "partial", "failed", "void", "never"]
    """``partial``: it passed, over too little of its range to prove the point."""
    proved: str | None = None
    """When its last sheet was recorded, UTC."""
    void_since: str | None = None
    """From when on another definition than its sheet's was watched, UTC; None where it stands only in the rig file."""
    by: str | None = None
    instrument: str | None = None

    @property
    def says(self) -> str:
        """For people."""
        return self.told(ENGLISH)

    def told(self, words: Wording, zone: str = "UTC") -> str:
        """For people, in their language and by the clock of a zone."""
        if self.status == "never":
            return words.word("never")
        day = minute_of(self.proved, zone) if self.proved else ""
        since = minute_of(self.void_since, zone) if self.void_since else words.word("proof-this-file")
        return words.word(f"proof-{self.status}", day=day, **({"since": since} if self.status == "void" else {}))


def proof_hash(point: Point, device: Device) -> str:
    """What a proof stands for.

    A field that keeps its default never counts, so that a later version that knows more fields voids no old proof.
    """
    held = {name: _facts(getattr(point, name)) for name in _PROVEN}
    held["trim"] = _facts(point.conditioning.trim)
    return hashlib.sha256(json.dumps({"unit": device.unit, **held}, sort_keys=True).encode()).hexdigest()[:16]


def _facts(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        own = {}
        for field in fields(value):
            held = getattr(value, field.name)
            default = field.default if field.default_factory is MISSING else field.default_factory()
            if held != default:
                own[field.name] = _facts(held)
        return {"is": type(value).__name__, **own}
    if isinstance(value, Enum):
        return value.value
    return list(value) if isinstance(value, tuple) else value


def hashes(rig: Rig) -> dict[str, str]:
    """Point -> what a proof of it stands for."""
    devices = {device.name: device for device in rig.devices}
    return {point.name: proof_hash(point, devices[point.device]) for point in rig.points if point.device != SELF}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stands:
    """A point as a rig file has it."""

    definition: str
    line: str
    serial: str | None

    def is_of(self, sheet: Mapping[str, Any]) -> bool:
        """Whether a sheet was taken of this. A serial number entered later voids nothing: it may be the same sensor."""
        return (
            sheet.get("definition") == self.definition
            and sheet.get("line", "") in ("", self.line)
            and (sheet.get("serial", "") in ("", self.serial) or self.serial is None)
        )


def _stands(rig: Rig) -> dict[str, _Stands]:
    devices = {device.name: device for device in rig.devices}
    definitions = hashes(rig)
    return {
        point.name: _Stands(definition=definitions[point.name], line=devices[point.device].line, serial=point.serial)
        for point in rig.points
        if point.name in definitions
    }


def proofs(rig: Rig, folder: Path, damage: list[str] | None = None) -> list[Proof]:
    """How every point of a rig stands, in its order; all ``never`` where there is no record.

    Args:
        rig: whose points.
        folder: of the record.
        damage: gets what could not be read, a newer sheet perhaps; None: that is an error.

    Raises:
        StorageError: the record cannot be read.
    """
    now = _stands(rig)
    last: dict[str, tuple[Command, Mapping[str, Any]]] = {}
    voided: dict[str, str] = {}
    watched: Mapping[str, _Stands] | None = None
    for item, sheet in _sheets(folder, damage):
        if isinstance(item, Start):
            rig_then = _rig_of(item)
            watched = None if rig_then is None else _stands(rig_then)
        elif str(sheet.get("point")) in now:
            last[str(sheet["point"])] = (item, sheet)
            voided.pop(str(sheet["point"]), None)
        if watched is not None:
            _void(watched, utc_text(item.utc_ns), last, voided)
    return [_proof(name, last.get(name), voided.get(name), one) for name, one in now.items()]


def _sheets(folder: Path, damage: list[str] | None = None) -> Iterator[tuple[Said, Mapping[str, Any]]]:
    """Every Start, with nothing, and every command that carries a loop sheet and was not refused, with the sheet."""
    rig: Rig | None = None
    known = set[str]()
    for item in said(folder, damage):
        if isinstance(item, Start):
            rig = _rig_of(item)
            yield item, {}
        elif item.request.do == VERB and mark(item.request) not in known:
            known.add(mark(item.request))  # sent again over a poor link it is refused, and stands where it came first
            sheet = item.request.args.get(SHEET)
            if isinstance(sheet, Mapping) and is_meant(item, rig):
                yield item, sheet


def _rig_of(start: Start) -> Rig | None:
    try:
        return parse(start.rig_toml, "the recorded rig file")
    except RigFileError:
        return None  # written for another version of the program; the next Start will tell


def last_sheet(folder: Path, point: str, damage: list[str] | None = None) -> Mapping[str, Any] | None:
    """The newest recorded sheet of a point; ``damage`` as in ``proofs``."""
    found = None
    for item, sheet in _sheets(folder, damage):
        if isinstance(item, Command) and sheet.get("point") == point:
            found = {**sheet, "recorded": utc_text(item.utc_ns), "actor": item.request.actor}
    return found


def _void(
    watched: Mapping[str, _Stands],
    when: str,
    last: Mapping[str, tuple[Command, Mapping[str, Any]]],
    voided: dict[str, str],
) -> None:
    """Mark the proofs that are not of what is watched then, and take the mark off those that are of it again."""
    for name, (_, sheet) in last.items():
        if name in watched and watched[name].is_of(sheet):
            voided.pop(name, None)
        else:
            voided.setdefault(name, when)


def _proof(name: str, held: tuple[Command, Mapping[str, Any]] | None, voided: str | None, now: _Stands) -> Proof:
    if held is None:
        return Proof(point=name, status="never")
    command, sheet = held
    status: Literal["proved", "partial", "failed", "void"] = "failed"
    if sheet.get("passed") is True:  # one of before that was asked proves as it did
        status = "proved" if sheet.get("proves", True) is True else "partial"
    if not now.is_of(sheet):
        status = "void"
    return Proof(
        point=name,
        status=status,
        proved=utc_text(command.utc_ns),
        void_since=voided if status == "void" else None,
        by=_who(str(sheet.get("by") or ""), command.request.actor),
        instrument=str(sheet.get("instrument") or "") or None,
    )


def _who(by: str, actor: str) -> str:
    """Who checked, and who entered it where that is another name."""
    return actor if by in ("", actor) else f"{by} ({actor})"


def said(folder: Path, damage: list[str] | None = None) -> Iterator[Said]:
    """Every Start and command of a record, without its scans, which are most of it.

    Args:
        folder: of the record.
        damage: gets what could not be read; None: that is an error.

    Raises:
        StorageError: a segment cannot be read.
    """
    record = Record(folder)
    for run in record.runs():
        try:
            others = record.others(run)
        except DamagedRecordError as error:
            note_damage(error, damage)
            continue
        yield from (item for item in others if isinstance(item, Start | Command))


def note_damage(error: DamagedRecordError, damage: list[str] | None) -> None:
    """Say once what could not be read to whoever asked; to whoever did not, it is an error."""
    if damage is None:
        raise error
    if str(error) not in damage:
        damage.append(str(error))
