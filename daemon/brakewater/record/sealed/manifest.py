"""What a sealed segment says of itself, in ``manifest.json``. Nanoseconds stand as text: JSON numbers are too short."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile

from brakewater.errors import DamagedRecordError
from brakewater.record.documents import number_of, text_of
from brakewater.record.rows import Widths
from brakewater.record.sealed.columns import Columns, columns_from
from brakewater.record.sealed.layout import MANIFEST
from brakewater.record.sealed.steps import Steps
from brakewater.record.segment import Head, NewerRecordError
from brakewater.units import utc_text

SCHEMA: Final = 1
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSum:
    """What a file must be."""

    size: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """All of it."""

    run: int
    rig: str
    version: str
    """Of the software that recorded."""
    boot: str
    t_ns: int
    """Steady time of the Start."""
    utc_ns: int
    """Wall time of the Start."""
    from_utc_ns: int
    """Earliest wall time of an input."""
    to_utc_ns: int
    """Latest wall time of an input."""
    last_t_ns: int
    inputs: int
    scans: int
    events: int
    prev_run: int
    """The run its first commit follows; 0 for the very first."""
    prev_hash: str
    """What its first commit follows; 64 zeros for the very first."""
    head: Head
    """Its last commit."""
    columns: Columns | None
    """None where it has no scan."""
    steps: Steps
    files: Mapping[str, FileSum] = field(default_factory=dict)

    @property
    def last_input(self) -> int:
        """Inputs count from 0."""
        return self.inputs - 1

    @property
    def widths(self) -> Widths | None:
        """How wide its scans are; None where it has none."""
        return self.columns.widths if self.columns is not None else None

    def document(self) -> dict[str, Any]:
        """As it stands in the file."""
        return {
            "schema": SCHEMA,
            "run": self.run,
            "rig": self.rig,
            "version": self.version,
            "boot": self.boot,
            "from": utc_text(self.from_utc_ns),
            "to": utc_text(self.to_utc_ns),
            "start": {"t_ns": str(self.t_ns), "utc_ns": str(self.utc_ns)},
            "span": {
                "from_utc_ns": str(self.from_utc_ns),
                "to_utc_ns": str(self.to_utc_ns),
                "last_t_ns": str(self.last_t_ns),
            },
            "inputs": self.inputs,
            "scans": self.scans,
            "events": self.events,
            "prev": {"run": self.prev_run, "hash": self.prev_hash},
            "head": {"run": self.head.run, "commit_no": self.head.commit_no, "hash": self.head.hash},
            "columns": self.columns.document() if self.columns else None,
            "steps": {
                "wall_ns": self.steps.wall_ns,
                "offset_ns": self.steps.offset_ns,
                "base_ns": str(self.steps.base_ns),
                "age_ns": self.steps.age_ns,
            },
            "files": {name: {"bytes": one.size, "sha256": one.sha256} for name, one in self.files.items()},
        }


def manifest_text(manifest: Manifest) -> bytes:
    """The file's content."""
    return json.dumps(manifest.document(), indent=1, ensure_ascii=False).encode() + b"\n"


def read_manifest(folder: Path) -> Manifest:
    """Of a sealed segment; its files are not looked at.

    Raises:
        DamagedRecordError: there is none that can be read.
        NewerRecordError: a newer version sealed it.
    """
    try:
        return _manifest(json.loads((folder / MANIFEST).read_bytes()))
    except NewerRecordError as error:
        raise NewerRecordError(folder / MANIFEST, error.found) from None
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, BadZipFile) as error:
        raise DamagedRecordError(f"{folder / MANIFEST}: cannot be read: {error!r}") from error


def _manifest(doc: dict[str, Any]) -> Manifest:
    if isinstance(doc["schema"], int) and doc["schema"] > SCHEMA:
        raise NewerRecordError(MANIFEST, doc["schema"])
    if doc["schema"] != SCHEMA:
        raise ValueError(f"found schema {doc['schema']}; allowed: {SCHEMA}")
    start, span, steps = doc["start"], doc["span"], doc["steps"]
    return Manifest(
        run=number_of(doc, "run"),
        rig=text_of(doc, "rig"),
        version=text_of(doc, "version"),
        boot=text_of(doc, "boot"),
        t_ns=_ns(start["t_ns"]),
        utc_ns=_ns(start["utc_ns"]),
        from_utc_ns=_ns(span["from_utc_ns"]),
        to_utc_ns=_ns(span["to_utc_ns"]),
        last_t_ns=_ns(span["last_t_ns"]),
        inputs=number_of(doc, "inputs"),
        scans=number_of(doc, "scans"),
        events=number_of(doc, "events"),
        prev_run=number_of(doc["prev"], "run"),
        prev_hash=text_of(doc["prev"], "hash"),
        head=Head(
            run=number_of(doc["head"], "run"),
            commit_no=number_of(doc["head"], "commit_no"),
            hash=text_of(doc["head"], "hash"),
        ),
        columns=columns_from(doc["columns"]) if doc["columns"] else None,
        steps=Steps(**{key: int(value) for key, value in steps.items()}),
        files={name: FileSum(size=one["bytes"], sha256=one["sha256"]) for name, one in doc["files"].items()},
    )


def _ns(text: str) -> int:
    """A time in ns, which fits 64 bits."""
    value = int(text)
    if not -(2**63) <= value < 2**63:
        raise ValueError(f"found {text!r:.40}; allowed: ns in 64 bits")
    return value


def file_sum(file: Path) -> FileSum:
    """Of a file as it is now.

    Raises:
        OSError: it cannot be read.
    """
    digest, size = hashlib.sha256(), 0
    with file.open("rb") as handle:
        while part := handle.read(_CHUNK):
            digest.update(part)
            size += len(part)
    return FileSum(size=size, sha256=digest.hexdigest())
