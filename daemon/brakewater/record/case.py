"""Packing a window of a record into one file for handing on: a zip of sealed segments that explains itself.

Segments go in whole, so that the chain can be checked. The same window of the same record gives the same file, byte for
byte. What is hot is sealed on the way, from a copy, without touching the record.
"""

import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from brakewater.errors import StorageError
from brakewater.record.case_places import README
from brakewater.record.durable import appearing
from brakewater.record.reader import Record, Span
from brakewater.record.sealed.layout import FILES, MANIFEST, sealed_path
from brakewater.record.sealed.manifest import Manifest, read_manifest
from brakewater.record.segment import reading
from brakewater.units import utc_text

_EPOCH: Final = (1980, 1, 1, 0, 0, 0)
"""The earliest time a zip can say: when it was packed is not part of what it holds."""
_CHUNK: Final = 1 << 20

_EXPLAINS: Final = """\
Case file of rig {rig}
======================

{what}
It holds the whole record of {count} run(s) of the watch that touch that time:

{runs}
Times are UTC. Nothing here is compressed by the zip; any zip tool opens it.

segments/<year>/<month>/<day>/<run>/
  manifest.json    what the segment is: rig, time, counts, columns, its place in the chain, SHA-256 of each file
  rig.toml         the rig file in force: every point, its range, every alarm and its limits
  start.json       what was known when the run began
  scans.parquet    one row a scan: raw register words as read, poll status, age. Any Parquet reader opens it (pandas,
                   polars, DuckDB, many others). Unit, role, device and address of each column stand in its metadata.
                   Raw counts become values by the signal of each point in rig.toml.
  events.jsonl     one line an alarm transition, in SI units, with its place in the chain
  commands.jsonl   one line a command (acknowledgements, notes, substitutions) or gap
  chain.parquet    where each commit of the record ended, some hashes, and signatures where there was a key

How to see that nothing was changed
-----------------------------------
Each commit is hashed with SHA-256 over its rows, its events and the hash of the commit before it. With brakewater:

  brakewater verify THIS.case.zip                      the rows fit the chain
  brakewater verify THIS.case.zip --key PUBLIC.pem     and it was signed by that key
  brakewater verify THIS.case.zip --anchor HEADS       and it is what was shown outside at the time

Without it: sha256sum of each file is in manifest.json; the signed line is
"brakewater chain head, run R, commit C, HASH" and a line feed, Ed25519 (RFC 8032).

What can be done with it
------------------------
  brakewater replay THIS.case.zip                      every alarm, in order
  brakewater export THIS.case.zip -o rows.csv          values with units
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """What went in."""

    runs: int
    size: int


def pack(
    record: Record,
    file: Path,
    from_utc_ns: int | None,
    to_utc_ns: int | None,
    tell: Callable[[int, int], None] = lambda _done, _all: None,
) -> Packed:
    """Write a case file; it appears whole or not at all.

    Args:
        record: what to take from; a case file will do as well.
        file: to be written.
        from_utc_ns: begin of the window by wall time; None: from the oldest.
        to_utc_ns: its end; None: up to the newest.
        tell: called with how many runs are done, and of how many.

    Raises:
        StorageError: nothing lies in the window, a segment cannot be read, or the file cannot be written.
    """
    spans = record.spans(from_utc_ns, to_utc_ns)
    if not spans:
        raise StorageError(f"{record.folder}: found nothing in this window")
    try:
        with appearing(file) as part, part.open("wb") as handle:
            _write(handle, spans, _window(from_utc_ns, to_utc_ns), tell)
        return Packed(runs=len(spans), size=file.stat().st_size)
    except OSError as error:
        raise StorageError(f"{file}: cannot be written: {error.strerror or error}") from error


def _window(from_utc_ns: int | None, to_utc_ns: int | None) -> str:
    since = utc_text(from_utc_ns) if from_utc_ns is not None else "the beginning of the record"
    until = utc_text(to_utc_ns) if to_utc_ns is not None else "its end at the time of packing"
    return f"Packed for the time from {since} to {until}."


def _write(handle: object, spans: Sequence[Span], window: str, tell: Callable[[int, int], None]) -> None:
    manifests = []
    with zipfile.ZipFile(handle, "w") as archive:  # type: ignore[call-overload] # any binary file will do
        for done, span in enumerate(spans):
            tell(done, len(spans))
            with _sealed(span) as folder:
                manifest = read_manifest(folder)
                manifests.append(manifest)
                place = sealed_path(Path(), manifest.run, manifest.utc_ns).as_posix()
                for name in (MANIFEST, *FILES):
                    _add(archive, f"{place}/{name}", folder / name)
        text = _readme(manifests, window)
        archive.writestr(_entry(README), text)
    tell(len(spans), len(spans))


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _EPOCH)
    entry.compress_type, entry.create_system, entry.external_attr = zipfile.ZIP_STORED, 3, 0o100644 << 16
    return entry


def _add(archive: zipfile.ZipFile, name: str, file: Path) -> None:
    with file.open("rb") as source, archive.open(_entry(name), "w", force_zip64=True) as target:
        shutil.copyfileobj(source, target, _CHUNK)


def _readme(manifests: Sequence[Manifest], window: str) -> str:
    runs = "".join(
        f"  run {one.run}: {utc_text(one.from_utc_ns)} to {utc_text(one.to_utc_ns)}, {one.scans} scans,"
        f" {one.events} events, recorded by version {one.version}\n"
        for one in manifests
    )
    rig = ", ".join(sorted({one.rig for one in manifests if one.rig})) or "unknown"
    return _EXPLAINS.format(rig=rig, what=window, count=len(manifests), runs=runs)


@contextmanager
def _sealed(span: Span) -> Iterator[Path]:
    """A folder with the segment as it is sealed."""
    if span.sealed:
        yield span.path
        return
    from brakewater.record.sealed.write import write_segment  # noqa: PLC0415 - pyarrow only when needed

    with tempfile.TemporaryDirectory(prefix="brakewater-") as folder:
        copy, sealed = Path(folder) / "hot.sqlite3", Path(folder) / "sealed"
        sealed.mkdir()
        with reading(span.path) as source, closing(sqlite3.connect(copy)) as target:
            source.backup(target)
        try:
            write_segment(copy, span.run, sealed)
        except ValueError as error:
            raise StorageError(f"{span.path}: cannot be packed: {error}") from error
        yield sealed
