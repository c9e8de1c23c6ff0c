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


@dataclass(slots=True, eq=False)
class Folder:
    """A folder as it is for those who look now."""

    entries: "dict[str, File | Folder]" = field(default_factory=dict)


Node = File | Folder
Change = tuple[Folder, str, Node | None]
"""In this folder this name now means that; None: nothing any more."""


@dataclass(slots=True, kw_only=True)
class _Names:
    """Names on the platter, and changes of names asked since, those that are one in a group."""

    loose: bool
    sure: dict[Folder, dict[str, Node]] = field(default_factory=dict)
    pending: list[list[Change]] = field(default_factory=list)
    syncing: dict[int, tuple[Folder, int]] = field(default_factory=dict)
    """Token -> folder and how many of the pending groups came before."""

    def take(self, changes: list[Change]) -> None:
        folders = {folder for folder, _, _ in changes}
        if self.loose and len(folders) > 1:  # between two folders POSIX promises no order
            self.pending += [[change] for change in changes]
        else:
            self.pending.append(changes)

    def done(self, token: int) -> None:
        folder, count = self.syncing.pop(token)
        rest = []
        for group in self.pending[:count]:
            # A journal keeps the order, so what came before is there as well; POSIX speaks of this folder only.
            if not self.loose or group[0][0] is folder:
                _apply(self.sure, group)
            else:
                rest.append(group)
        gone = count - len(rest)
        self.pending[:count] = rest
        self.syncing = {other: (where, max(0, covers - gone)) for other, (where, covers) in self.syncing.items()}

    def left(self, chance: random.Random) -> dict[Folder, dict[str, Node]]:
        names = {folder: dict(entries) for folder, entries in self.sure.items()}
        first = chance.randint(0, len(self.pending))
        for at, group in enumerate(self.pending):
            if chance.random() < 0.5 if self.loose else at < first:
                _apply(names, group)
        return names


def _apply(names: dict[Folder, dict[str, Node]], group: list[Change]) -> None:
    for folder, name, node in group:
        entries = names.setdefault(folder, {})
        if node is None:
            entries.pop(name, None)
        else:
            entries[name] = node


class Disk:
    """The disk as the notes have made it so far."""

    def __init__(self, root: Path, *, lying: bool = False) -> None:
        """Empty.

        Args:
            root: folder that is watched.
            lying: the disk says that it has synced, and has not: no record can stand that, so a check must fail.
        """
        self._root, self._lying = str(root), lying
        self._top = Folder()
        self._files: dict[int, File] = {}
        self._names = {loose: _Names(loose=loose) for loose in (False, True)}

    def take(self, note: Note) -> None:
        """A further note."""
        match note.kind:
            case "C" | "M" | "U" | "D" | "R":
                self._rename(note)
            case "W" | "T":
                self._files[note.a].pending.append(note)
            case "s":
                file = self._files[note.a]
                file.syncing[note.b] = len(file.pending)
            case "d":
                folder = self._at(note.path)
                assert isinstance(folder, Folder)
                for names in self._names.values():
                    names.syncing[note.b] = (folder, len(names.pending))
            case "S" if not self._lying:
                for one in (*self._names.values(), *self._files.values()):
                    if note.b in one.syncing:
                        one.done(note.b)

    def _rename(self, note: Note) -> None:
        match note.kind:
            case "C":
                self._files[note.a] = File()
                self._change((note.path, self._files[note.a]))
            case "M":
                self._change((note.path, Folder()))
            case "R":
                old, new = note.path.split("\0")
                self._change((new, self._at(old)), (old, None))
            case _:
                self._change((note.path, None))

    def _at(self, path: str) -> Node:
        node: Node = self._top
        for part in path[len(self._root) :].split("/"):
            if part:
                assert isinstance(node, Folder)
                node = node.entries[part]
        return node

    def _change(self, *asked: tuple[str, Node | None]) -> None:
        changes: list[Change] = []
        for path, node in asked:
            above, _, name = path.rpartition("/")
            folder = self._at(above)
            assert isinstance(folder, Folder)
            if node is None:
                if folder.entries.pop(name, None) is None:
                    continue  # nothing that is kept, for example a socket
            else:
                folder.entries[name] = node
            changes.append((folder, name, node))
        for names in self._names.values() if changes else ():
            names.take(changes)

    def leave(self, into: Path, chance: random.Random, *, loose: bool) -> None:
        """Write a crash image."""
        self._write(self._top, self._names[loose].left(chance), into, chance)

    def _write(self, folder: Folder, names: dict[Folder, dict[str, Node]], into: Path, chance: random.Random) -> None:
        into.mkdir(parents=True)
        for name, node in sorted(names.get(folder, {}).items(), key=lambda entry: entry[0]):
            if isinstance(node, Folder):
                self._write(node, names, into / name, chance)
            elif name.endswith("-shm"):
                (into / name).write_bytes(chance.randbytes(32768))  # mapped, never synced: may hold anything
            else:
                (into / name).write_bytes(node.left(chance))
