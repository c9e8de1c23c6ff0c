"""What a sealed segment shows of itself to whoever checks it. It is read once, from its beginning to its end."""

import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from brakewater.record.documents import parse
from brakewater.record.evidence import CommitEntry, EventRow, Evidence
from brakewater.record.rows import Row, Widths
from brakewater.record.sealed.beside import beside
from brakewater.record.sealed.layout import FILES, MANIFEST
from brakewater.record.sealed.manifest import file_sum
from brakewater.record.sealed.read import Place, Sealed, SealedCommit
from brakewater.record.segment import Head
from brakewater.record.signing import Signature

_UNNUMBERED = -1


class SealedEvidence:
    """A sealed segment. Rows and events must be asked for in order, as its commits are."""

    def __init__(self, sealed: Sealed) -> None:
        self.file = str(sealed.path)
        self._sealed = sealed
        self._rows, self._events = sealed.rows(), sealed.events()
        self._row: Row | None = None
        self._event: tuple[int, bytes, str] | None = None
        self._hashes: dict[int, str] = {}
        """Number of an event -> hash of its commit, of those read ahead."""
        self._ahead: list[EventRow] = []
        self._seen = _Seen()
        self._last_event = 0

    def meta(self) -> Mapping[str, int | str]:
        """From the manifest."""
        manifest = self._sealed.manifest
        return {"run": manifest.run, "prev_run": manifest.prev_run, "prev_hash": manifest.prev_hash}

    def widths(self) -> Widths | None:
        """From the manifest."""
        columns = self._sealed.manifest.columns
        return columns.widths if columns is not None else None

    def commits(self) -> Iterator[CommitEntry]:
        """Where each ends, from ``chain.parquet``; its hash where that is kept, there or with its events."""
        for one in self._sealed.commits():
            yield CommitEntry(
                number=one.commit_no,
                first_input=one.first_input,
                last_input=one.last_input,
                first_event=one.first_event,
                last_event=one.last_event,
                digest=None,
                sums=one.sums,
                sum_bytes=1,
                hash=one.hash or self._hash_with_events(one),
            )

    def _hash_with_events(self, commit: SealedCommit) -> str | None:
        if commit.first_event is None or commit.last_event is None:
            return None
        self._read_ahead(commit.last_event)
        hashes = {self._hashes[n] for n, *_ in self._ahead if commit.first_event <= n <= commit.last_event}
        return hashes.pop() if len(hashes) == 1 else None

    def _read_ahead(self, last: int) -> None:
        while (event := self._next_event()) is not None and event[0] <= last:
            n, body, link = event
            self._hashes[n] = link
            self._ahead.append((n, _input_of(body), body))
            self._event = None

    def _next_event(self) -> tuple[int, bytes, str] | None:
        self._event = self._event or next(self._events, None)
        self._last_event = self._event[0] if self._event else self._last_event
        return self._event

    def rows(self, first: int, last: int) -> list[Row]:
        """Those that come next."""
        taken = []
        while (row := self._next_row()) is not None and row[0] <= last:
            taken.append(row)
            self._row = None
        self._seen.take(taken, first)
        return sorted(taken)

    def _next_row(self) -> Row | None:
        self._row = self._row or next(self._rows, None)
        return self._row

    def events(self, first: int, last: int) -> list[EventRow]:
        """Those that come next."""
        self._read_ahead(last)
        taken = [event for event in self._ahead if first <= event[0] <= last]
        self._ahead = [event for event in self._ahead if event[0] > last]
        return taken

    def rest(self, what: str, due: int) -> tuple[int, int]:
        """What follows the last commit."""
        rest = (
            [row[0] for row in (self._row, *self._rows) if row]
            if what == "inputs"
            else [event[0] for event in (self._event, *self._events) if event]
        )
        if what == "events":
            self._last_event = max(rest, default=self._last_event)
        return len(rest), max(rest, default=due)

    def signatures(self) -> Mapping[int, Signature]:
        """From ``chain.parquet``."""
        return {one.commit_no: one.signature for one in self._sealed.commits() if one.signature is not None}

    def file_complaints(self) -> Iterator[tuple[str, str]]:
        """Files that are not what the manifest says."""
        manifest = self._sealed.manifest
        for name in FILES:
            due = manifest.files.get(name)
            try:
                found = file_sum(self._sealed.path / name)  # type: ignore[arg-type] # has what is needed
            except (OSError, KeyError, zipfile.BadZipFile) as error:
                yield name, f"cannot be read: {error}"
                continue
            if due is None:
                yield name, "is not in the manifest"
            elif found.size != due.size:
                yield name, f"has {found.size} bytes and had {due.size} when it was sealed"
            elif found.sha256 != due.sha256:
                yield name, "its SHA-256 is not what it was when it was sealed"

    def worked_out(self) -> int:
        """What the scans have beside the words, ages and status of the manifest."""
        return self._sealed.worked_out()

    def complaints(self) -> Iterator[tuple[str, str]]:
        """Rows out of order, and what the manifest and the rig file beside them say that is not so."""
        manifest, seen = self._sealed.manifest, self._seen
        yield from (("order", f"input {number} is not in its place") for number in seen.misplaced)
        for what, told, is_so in (
            ("inputs", manifest.inputs, seen.inputs),
            ("scans", manifest.scans, seen.scans),
            ("from", manifest.from_utc_ns, seen.from_utc_ns),
            ("to", manifest.to_utc_ns, seen.to_utc_ns),
            ("events", manifest.events, self._last_event),
        ):
            if told != is_so:
                yield MANIFEST, f"says {what} {told}, and its rows say {is_so}"
        if not seen.last_t_ns <= manifest.last_t_ns <= seen.most_t_ns:  # the same, as steady time never falls
            yield MANIFEST, f"says last_t_ns {manifest.last_t_ns}, and its rows say {seen.last_t_ns}"
        yield from beside(self._sealed)

    @property
    def head(self) -> Head | None:
        """As the manifest says."""
        return self._sealed.manifest.head


class _Seen:
    """What the rows come to, to be held against the manifest."""

    def __init__(self) -> None:
        self.inputs = self.scans = 0
        self.from_utc_ns = self.to_utc_ns = self.last_t_ns = self.most_t_ns = 0
        self.misplaced: list[int] = []

    def take(self, rows: list[Row], first: int) -> None:
        for row in rows:
            utc_ns = row[3]
            self.from_utc_ns = min(self.from_utc_ns, utc_ns) if self.inputs else utc_ns
            self.to_utc_ns = max(self.to_utc_ns, utc_ns) if self.inputs else utc_ns
            self.last_t_ns = row[2]
            self.most_t_ns = max(self.most_t_ns, row[2]) if self.inputs else row[2]
            self.inputs += 1
            self.scans += row[1] == "scan"
            if row[0] < first:
                self.misplaced.append(row[0])
            first = row[0] + 1


def _input_of(body: bytes) -> int:
    try:
        return int(parse(body)["input"])
    except (ValueError, KeyError, TypeError):
        return _UNNUMBERED


@contextmanager
def sealed_evidence(place: Place) -> Iterator[Evidence]:
    """A sealed segment, open for checking.

    Raises:
        DamagedRecordError: its manifest or chain cannot be read.
    """
    yield SealedEvidence(Sealed(place))
