"""What a process asked of the disk, and what a power cut may have left of it.

The notes come from ``write_recorder.c``. A crash image is made at any place in them:

- what a file held at the last sync that had ended, and that began after the write, is there;
- of the writes since then each may be there or not, in any order, and a write may be torn between sectors of
  512 bytes; where a later sector is there and an earlier one not, the hole is zeros; so may a change of size;
- names (create, rename, unlink, mkdir) are there from the sync of their folder on. Of those since then a first
  part is there (``ordered``, as a journalling file system does it), or any of them (``loose``: POSIX gives no more).

This is what SQLite's documentation calls a powersafe overwrite (sqlite.org/psow.html): a write never harms bytes that
it does not cover.
"""

import random
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

SECTOR = 512
_HEAD = struct.Struct("<cQQI")


@dataclass(frozen=True, slots=True)
class Note:
    """One note, see ``write_recorder.c``."""

    kind: str
    a: int
    b: int
    data: bytes

    @property
    def path(self) -> str:
        return self.data.decode()


def notes_in(log: Path) -> Iterator[Note]:
    with log.open("rb") as file:
        while len(head := file.read(_HEAD.size)) == _HEAD.size:
            kind, a, b, size = _HEAD.unpack(head)
            yield Note(kind.decode(), a, b, file.read(size))


@dataclass(slots=True, eq=False)
class File:
    """A file: what of it is on the platter, and what has been asked since."""

    durable: bytearray = field(default_factory=bytearray)
    pending: list[Note] = field(default_factory=list)
    syncing: dict[int, int] = field(default_factory=dict)
    """Token -> how many of the pending notes it covers."""

    def done(self, token: int) -> None:
        count = self.syncing.pop(token)
        for note in self.pending[:count]:
            apply(self.durable, note)
        del self.pending[:count]
        self.syncing = {other: max(0, covers - count) for other, covers in self.syncing.items()}

    def left(self, chance: random.Random) -> bytes:
        """What a power cut now may leave."""
        content = bytearray(self.durable)
        how = chance.choice(("none", "all", "first", "some", "torn"))
        first = chance.randint(0, len(self.pending))
        for at, note in enumerate(self.pending):
            if how == "none" or (how == "first" and at >= first):
                continue
            if how in ("some", "torn") and chance.random() < 0.5:
                continue
            for part in _sectors(note) if how == "torn" else (note,):
                if how != "torn" or chance.random() < 0.7:
                    apply(content, part)
        return bytes(content)


def apply(content: bytearray, note: Note) -> None:
    if note.kind == "T":
        del content[note.b :]
        content.extend(bytes(note.b - len(content)))
        return
    if len(content) < note.b:
        content.extend(bytes(note.b - len(content)))
    content[note.b : note.b + len(note.data)] = note.data


def _sectors(note: Note) -> Iterator[Note]:
    if note.kind == "T":
        yield note
        return
    at, end = note.b, note.b + len(note.data)
    while at < end:
        upto = min(end, at - at % SECTOR + SECTOR)
        yield Note("W", note.a, at, note.data[at - note.b : upto - note.b])
        at = upto


Names = dict[str, File | None]
"""Path -> file, or None for a folder."""


def _name(names: Names, note: Note, created: File | None) -> None:
    """What one change of names does, where it still can be done."""
    match note.kind:
        case "C":
            names[note.path] = created
        case "M":
            names.setdefault(note.path, None)
        case "U" | "D":
            names.pop(note.path, None)
        case "R":
            old, new = note.path.split("\0")
            for path in [path for path in names if path == old or path.startswith(f"{old}/")]:
                names[new + path[len(old) :]] = names.pop(path)


@dataclass(slots=True, kw_only=True)
class _Tree:
    """Names on the platter, and changes of names asked since."""

    root: str
    loose: bool
    sure: Names = field(default_factory=dict)
    pending: list[tuple[Note, File | None]] = field(default_factory=list)
    syncing: dict[int, tuple[str, int]] = field(default_factory=dict)
    """Token -> folder and how many of the pending changes came before."""

    def done(self, token: int) -> None:
        folder, count = self.syncing.pop(token)
        rest = []
        for one in self.pending[:count]:
            # A journal keeps the order, so what came before is there as well; POSIX speaks of this folder only.
            if not self.loose or _in_folder(one[0], folder):
                _name(self.sure, *one)
            else:
                rest.append(one)
        gone = count - len(rest)
        self.pending[:count] = rest
        self.syncing = {other: (path, max(0, covers - gone)) for other, (path, covers) in self.syncing.items()}

    def left(self, chance: random.Random) -> Names:
        names, first = dict(self.sure), chance.randint(0, len(self.pending))
        for at, (note, created) in enumerate(self.pending):
            if chance.random() < 0.5 if self.loose else at < first:
                _name(names, note, created)
        return names


class Disk:
    """The disk as the notes have made it so far."""

    def __init__(self, root: Path, *, lying: bool = False) -> None:
        """Empty.

        Args:
            root: folder that is watched.
            lying: the disk says that it has synced, and has not: no record can stand that, so a check must fail.
        """
        self._root, self._lying = str(root), lying
        self._files: dict[int, File] = {}
        self._trees = {loose: _Tree(root=self._root, loose=loose) for loose in (False, True)}

    def take(self, note: Note) -> None:
        """A further note."""
        match note.kind:
            case "C":
                self._files[note.a] = File()
                self._change(note, self._files[note.a])
            case "M" | "U" | "D" | "R":
                self._change(note, None)
            case "W" | "T":
                self._files[note.a].pending.append(note)
            case "s":
                file = self._files[note.a]
                file.syncing[note.b] = len(file.pending)
            case "d":
                for tree in self._trees.values():
                    tree.syncing[note.b] = (note.path, len(tree.pending))
            case "S" if not self._lying:
                self._synced(note.b)

    def _change(self, note: Note, created: File | None) -> None:
        for tree in self._trees.values():
            tree.pending.append((note, created))

    def _synced(self, token: int) -> None:
        for one in (*self._trees.values(), *self._files.values()):
            if token in one.syncing:
                one.done(token)

    def leave(self, into: Path, chance: random.Random, *, loose: bool) -> None:
        """Write a crash image."""
        into.mkdir(parents=True)
        names = self._trees[loose].left(chance)
        for path in sorted(names):
            where = into / path[len(self._root) :].lstrip("/")
            if not where.parent.is_dir():
                continue  # its folder is not there
            file = names[path]
            if file is None:
                where.mkdir(exist_ok=True)
            elif path.endswith("-shm"):
                where.write_bytes(chance.randbytes(32768))  # mapped, never synced: may hold anything
            else:
                where.write_bytes(file.left(chance))


def _in_folder(note: Note, folder: str) -> bool:
    return any(path.rpartition("/")[0] == folder for path in note.path.split("\0"))
