"""Words of a scan as columns of numbers, and back to the same words, bit for bit."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from brakewater.record.rows import Widths
from brakewater.rig import Rig
from brakewater.signals.words import RegisterKind
from brakewater.stream import Words

Numbers = NDArray[Any]

RESERVED: Final = ("input", "utc", "steady_offset")
"""Names of the columns that every segment has."""
_KINDS: Final = {"uint16": "u2", "int16": "i2", "uint32": "u4", "int32": "i4", "float32": "f4", "float64": "f8"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WordColumn:
    """One point's number, made of neighbouring words of a scan."""

    name: str
    first: int
    """Its first word in a scan."""
    kind: str = "uint16"
    words_high_first: bool = True
    bytes_high_first: bool = True
    about: dict[str, str]
    """Unit, role, device, address and the like, for people and other tools."""

    def __post_init__(self) -> None:
        if self.kind not in _KINDS:
            raise ValueError(f"column {self.name}: found kind {self.kind!r}; allowed: {', '.join(_KINDS)}")

    @property
    def count(self) -> int:
        """Words it takes."""
        return np.dtype(_KINDS[self.kind]).itemsize // 2

    def numbers(self, words: Words) -> Numbers:
        """[n] numbers of [n, W] words."""
        part = words[:, self.first : self.first + self.count]
        ordered = part if self.words_high_first else part[:, ::-1]
        wire = np.ascontiguousarray(ordered).astype(">u2" if self.bytes_high_first else "<u2").view(np.uint8)
        # Through whole numbers: turning a float's bytes round as a float could quieten a signalling NaN.
        whole = wire.view(f">u{2 * self.count}")[:, 0].astype(f"=u{2 * self.count}")
        return whole.view(f"={_KINDS[self.kind]}")

    def put(self, numbers: Numbers, words: Words) -> None:
        """Write [n] numbers into their columns of [n, W] words."""
        whole = np.ascontiguousarray(numbers, dtype=f"={_KINDS[self.kind]}").view(f"=u{2 * self.count}")
        wire = whole.astype(f">u{2 * self.count}").view(np.uint8).reshape(len(numbers), -1)
        ordered = wire.view(">u2" if self.bytes_high_first else "<u2").astype(np.uint16)
        words[:, self.first : self.first + self.count] = ordered if self.words_high_first else ordered[:, ::-1]

    def document(self) -> dict[str, Any]:
        """As the manifest holds it."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """All columns of the scans of one run."""

    words: tuple[WordColumn, ...]
    status: tuple[str, ...]
    """Names of the columns of poll status, in order."""
    age: tuple[str, ...]
    """Names of the columns of age, in order."""

    @property
    def widths(self) -> Widths:
        """Layout of a scan."""
        return Widths(words=sum(one.count for one in self.words), points=len(self.status), devices=len(self.age))

    def document(self) -> dict[str, Any]:
        """As the manifest holds it."""
        words = [one.document() for one in self.words]
        return {"words": words, "status": list(self.status), "age": list(self.age)}


def columns_from(doc: dict[str, Any]) -> Columns:
    """What ``Columns.document`` wrote.

    Raises:
        KeyError, TypeError, ValueError: it is none.
    """
    words = tuple(WordColumn(**one) for one in doc["words"])
    return Columns(words=words, status=tuple(doc["status"]), age=tuple(doc["age"]))


def columns_of(rig: Rig | None, widths: Widths) -> Columns:
    """Columns named as the rig names its points.

    Args:
        rig: None where its file can no longer be read.
        widths: of the scans; where they are not the rig's (another version wrote them), words stand by number.
    """
    named = _named(rig) if rig is not None else None
    return named if named is not None and named.widths == widths else _numbered(widths)


def _named(rig: Rig) -> Columns:
    words = []
    for slot in rig.slots:
        point, register = slot.point, slot.point.register
        about = {
            "role": point.role,
            "brake": point.brake or "",
            "device": point.device,
            "table": point.table.value,
            "address": str(point.address),
            "register": register.kind.value + ("" if register.bit is None else f" {register.bit}"),
            "unit": "raw",
            "signal": repr(point.signal),
            "serial": point.serial or "",
            "calibrated": point.calibrated or "",
        }
        is_one_word = register.kind is RegisterKind.BIT or point.count == 1
        kind = "int16" if register.kind is RegisterKind.INT16 else "uint16" if is_one_word else register.kind.value
        words.append(
            WordColumn(
                name=f"{point.name}.raw" if point.name in RESERVED else point.name,
                first=slot.column,
                kind=kind,
                words_high_first=register.words_high_first,
                bytes_high_first=register.bytes_high_first,
                about=about,
            )
        )
    ages = [group.device + (f".every-{group.every}" if group.every > 1 else "") for group in rig.groups]
    return Columns(
        words=tuple(words),
        status=tuple(f"{slot.point.name}.status" for slot in rig.slots),
        age=tuple(f"{name}.age" for name in ages),
    )


def _numbered(widths: Widths) -> Columns:
    return Columns(
        words=tuple(WordColumn(name=f"word-{n}", first=n, about={"unit": "raw"}) for n in range(widths.words)),
        status=tuple(f"point-{n}.status" for n in range(widths.points)),
        age=tuple(f"device-{n}.age" for n in range(widths.devices)),
    )


def words_of(columns: Sequence[WordColumn], numbers: Sequence[Numbers], n: int) -> Words:
    """[n, W] words of the numbers of each column."""
    # Column by column, as they are filled here and read by the engine.
    words = np.empty((n, sum(one.count for one in columns)), np.uint16, order="F")
    for column, values in zip(columns, numbers, strict=True):
        column.put(values, words)
    return words
