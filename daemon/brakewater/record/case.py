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
from typing import IO, Final

from brakewater.errors import NothingThereError, StorageError
from brakewater.record.case_list import LIST, SIGNATURE, LeftOut, left_out_of, list_text, signature_text, trimmed_of
from brakewater.record.case_places import README
from brakewater.record.case_text import readme_text
from brakewater.record.durable import appearing
from brakewater.record.places import is_case
from brakewater.record.reader import Record, Span
from brakewater.record.sealed.layout import FILES, MANIFEST, sealed_path
from brakewater.record.sealed.manifest import Manifest, read_manifest
from brakewater.record.segment import reading
from brakewater.record.signing import Signer
from brakewater.record.trimmed import Gone, trimmed

_EPOCH: Final = (1980, 1, 1, 0, 0, 0)
"""The earliest time a zip can say: when it was packed is not part of what it holds."""
_CHUNK: Final = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """What went in."""

    runs: int
    size: int
    left_out: tuple[LeftOut, ...]
    """Runs that may belong to the window and could not be packed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Todo:
    what: Path
    spans: Sequence[Span]
    left_out: Sequence[LeftOut]
    gone: Gone
    from_utc_ns: int | None
    to_utc_ns: int | None
    signer: Signer | None


def pack(
    record: Record,
    file: Path,
    from_utc_ns: int | None,
    to_utc_ns: int | None,
    tell: Callable[[int, int], None] = lambda _done, _all: None,
    *,
    signer: Signer | None = None,
) -> Packed:
    """Write a case file; it appears whole or not at all.

    Args:
        record: what to take from; a case file will do as well.
        file: to be written.
        from_utc_ns: begin of the window by wall time; None: from the oldest.
        to_utc_ns: its end; None: up to the newest.
        tell: called with how many runs are done, and of how many.
        signer: signs the list of what is in it.

    Raises:
        StorageError: nothing that can be read lies in the window, or the file cannot be written.
    """
    spans = _spans(record, from_utc_ns, to_utc_ns)
    lost = [LeftOut(run=run, why=why) for run, why in record.unreadable(from_utc_ns, to_utc_ns).items()]
    if not spans:
        raise NothingThereError(f"{record.folder}: found nothing in this window{''.join(f'; {one}' for one in lost)}")
    if is_case(record.folder):  # what was left out of it is still missing
        lost += left_out_of(record.folder)
    todo = _Todo(
        what=record.folder, spans=spans, left_out=lost, gone=_gone(record.folder), from_utc_ns=from_utc_ns,
        to_utc_ns=to_utc_ns, signer=signer,
    )  # fmt: skip
    try:
        with appearing(file) as part, part.open("wb") as handle:
            runs, left_out = _write(handle, todo, tell)
        return Packed(runs=runs, size=file.stat().st_size, left_out=left_out)
    except OSError as error:
        raise StorageError(f"{file}: cannot be written: {error.strerror or error}") from error


def _spans(record: Record, from_utc_ns: int | None, to_utc_ns: int | None) -> list[Span]:
    """What touches the window, and all between, which a clock that was wrong labelled: else the chain has a hole."""
    found = record.spans(from_utc_ns, to_utc_ns)
    runs = [one.run for one in found]
    if not runs or from_utc_ns is to_utc_ns is None:
        return found
    return [one for one in record.spans() if runs[0] <= one.run <= runs[-1]]


def _gone(place: Path) -> Gone:
    return trimmed_of(place) if is_case(place) else trimmed(place)


def _write(handle: IO[bytes], todo: _Todo, tell: Callable[[int, int], None]) -> tuple[int, tuple[LeftOut, ...]]:
    """How many runs went in, and what did not."""
    manifests, texts, left_out = list[Manifest](), dict[int, bytes](), list(todo.left_out)
    with zipfile.ZipFile(handle, "w") as archive:
        for done, span in enumerate(todo.spans):
            tell(done, len(todo.spans))
            try:
                with _sealed(span) as folder:
                    manifest = read_manifest(folder)
                    texts[manifest.run] = _add_segment(archive, folder, manifest)
                    manifests.append(manifest)
            except StorageError as error:  # of before anything was added: what is damaged within goes in as it stands
                left_out.append(LeftOut(run=span.run, why=str(error)))
        if not manifests:
            raise StorageError(f"{todo.what}: found nothing that can be read: {'; '.join(map(str, left_out))}")
        left_out.sort(key=lambda one: one.run)
        between = {start: one for start, one in todo.gone.items() if min(texts) < one[0] < max(texts)}
        deleted = sorted(run for run, _ in between.values())
        readme = readme_text(manifests, left_out, deleted, todo.from_utc_ns, todo.to_utc_ns)
        listed = list_text(texts, left_out, between, readme)
        archive.writestr(_entry(README), readme)
        archive.writestr(_entry(LIST), listed)
        if todo.signer is not None:
            archive.writestr(_entry(SIGNATURE), signature_text(todo.signer, listed))
    tell(len(todo.spans), len(todo.spans))
    return len(manifests), tuple(left_out)


def _add_segment(archive: zipfile.ZipFile, folder: Path, manifest: Manifest) -> bytes:
    for name in (MANIFEST, *FILES):
        _read_through(folder / name)
    place = sealed_path(Path(), manifest.run, manifest.utc_ns).as_posix()
    for name in (MANIFEST, *FILES):
        _add(archive, f"{place}/{name}", folder / name)
    return (folder / MANIFEST).read_bytes()


def _read_through(file: Path) -> None:
    """A file that cannot be read to its end must be known of before its segment is half in the zip."""
    try:
        with file.open("rb") as source:
            while source.read(_CHUNK):
                pass
    except FileNotFoundError as error:
        raise StorageError(f"{file}: is missing") from error
    except (OSError, zipfile.BadZipFile) as error:
        raise StorageError(f"{file}: cannot be read: {error}") from error


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _EPOCH)
    entry.compress_type, entry.create_system, entry.external_attr = zipfile.ZIP_STORED, 3, 0o100644 << 16
    return entry


def _add(archive: zipfile.ZipFile, name: str, file: Path) -> None:
    with file.open("rb") as source, archive.open(_entry(name), "w", force_zip64=True) as target:
        shutil.copyfileobj(source, target, _CHUNK)


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
