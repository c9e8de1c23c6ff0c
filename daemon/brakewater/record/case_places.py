"""Looking into a case file: a zip of sealed segments, from a stranger perhaps.

Nothing is ever unpacked: files are read where they lie in the zip, so no name in it can lead elsewhere; names that try
are refused all the same, since other tools do unpack. Nothing may be compressed in it, so it cannot swell, and no two
entries may share bytes.
"""

import re
import struct
import zipfile
from pathlib import Path
from typing import BinaryIO, Final

from brakewater.errors import StorageError
from brakewater.record.sealed.layout import MANIFEST

README: Final = "README.txt"
MOST_ENTRIES: Final = 100_000
"""Entries of a case file: some forty years of days."""
_SEGMENT: Final = re.compile(r"(segments/\d{4}/\d{2}/\d{2}/(\d{8,12})/)" + re.escape(MANIFEST))
_UNREADABLE_FLAGS: Final = 0x1 | 0x20 | 0x40
"""Encrypted, patched data, strongly encrypted: bits 0, 5 and 6 of an entry's flags."""
_HEAD_BYTES: Final = 30
"""Of an entry's head in a zip; its last four are the lengths of the name and of what follows it."""
_UNSAFE: Final = re.compile(r"(^|/)\.\.?(/|$)|^/|\\|^[A-Za-z]:|//|[\x00-\x1f]")


def case_paths(file: Path) -> dict[int, zipfile.Path]:
    """Run -> folder of its segment in the zip, in order of runs.

    Raises:
        StorageError: it is no zip, holds no segment, or is one that nobody should open; says why.
    """
    try:
        archive = zipfile.ZipFile(file)
    except zipfile.BadZipFile as error:
        if file.suffix == ".sqlite3":
            folder = file.parent.parent if file.parent.name == "hot" else "its folder"
            raise StorageError(f"{file}: found a part of a record; give the whole of it: {folder}") from error
        raise StorageError(
            f"{file}: found no record here: it is no zip file, or one that was cut off; allowed: a record folder or a"
            f" case file ({error})"
        ) from error
    except (OSError, ValueError, NotImplementedError) as error:
        raise StorageError(f"{file}: found no record here; allowed: a record folder or a case file: {error}") from error
    entries = archive.infolist()
    _check(file, entries)
    found = {int(match[2]): match[1] for entry in entries if (match := _SEGMENT.fullmatch(entry.filename))}
    if not found:
        raise StorageError(f"{file}: found a zip without any segment; a case file holds segments/.../{MANIFEST}")
    return {run: zipfile.Path(archive, found[run]) for run in sorted(found)}


def _check(file: Path, entries: list[zipfile.ZipInfo]) -> None:
    names = [entry.filename for entry in entries]
    if len(names) > MOST_ENTRIES:
        raise StorageError(f"{file}: refused: found {len(names)} entries; allowed: {MOST_ENTRIES}")
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise StorageError(f"{file}: refused: found {twice!r} twice")
    for entry in entries:
        if _UNSAFE.search(entry.filename):
            raise StorageError(f"{file}: refused: found the name {entry.filename!r}, which leads out of the file")
        if entry.compress_type != zipfile.ZIP_STORED or entry.file_size != entry.compress_size:
            raise StorageError(
                f"{file}: refused: {entry.filename} is compressed; allowed: stored, as brakewater pack writes it"
                " (unpack it into a folder and give that)"
            )
        if entry.flag_bits & _UNREADABLE_FLAGS:
            raise StorageError(f"{file}: refused: {entry.filename} is encrypted or patched; allowed: plain bytes")
    size = file.stat().st_size
    end = 0
    with file.open("rb") as bytes_of:
        for entry in sorted(entries, key=lambda entry: entry.header_offset):
            beyond = entry.header_offset + entry.file_size > size
            if entry.header_offset < end or beyond or _end(bytes_of, entry) > size:
                raise StorageError(f"{file}: refused: {entry.filename} lies over another entry or beyond the end")
            end = entry.header_offset + entry.file_size


def _end(file: BinaryIO, entry: zipfile.ZipInfo) -> int:
    """Where an entry ends by its own head, which the directory may contradict."""
    file.seek(entry.header_offset)
    head = file.read(_HEAD_BYTES)
    before = sum(struct.unpack("<2H", head[-4:])) if len(head) == _HEAD_BYTES else 0
    return entry.header_offset + len(head) + before + entry.file_size
