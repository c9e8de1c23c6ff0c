"""A sealed folder held against the hot file it was made of: every row, event and hash, before that file may go."""

from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from brakewater.errors import DamagedRecordError
from brakewater.record import chain
from brakewater.record.evidence import CommitEntry, hot_evidence
from brakewater.record.hot import hot_events, hot_rows
from brakewater.record.rows import Row, Widths, packed
from brakewater.record.sealed.manifest import file_sum
from brakewater.record.sealed.read import Sealed, SealedCommit


class DiffersError(DamagedRecordError):
    """The folder does not say what the hot file says."""


def compare(hot: Path, folder: Path) -> None:
    """Read the folder back and compare.

    Raises:
        DiffersError: they differ, or the chain of the hot file does not hold: then it has to stay as it is.
        StorageError: one of them cannot be read.
    """
    sealed = Sealed(folder)
    for name, known in sealed.manifest.files.items():
        if file_sum(folder / name) != known:
            raise DiffersError(f"{folder / name}: is not what its manifest says")
    rows = _same(hot, folder, hot_rows(hot), sealed.rows())
    events = _same(hot, folder, hot_events(hot, 0), sealed.events())
    prev, due = sealed.manifest.prev_hash, (0, 1)
    with hot_evidence(hot) as evidence:
        if evidence.meta().get("prev_hash") != prev:
            raise DiffersError(f"{folder}: follows another hash than {hot}")
        widths, signatures = evidence.widths(), evidence.signatures()
        commits = sealed.commits()
        for commit in evidence.commits():
            prev = _linked(hot, commit, prev, rows, events, widths, sealed.manifest.run)
            _same_commit(hot, commit, next(commits, None), signatures.get(commit.number))
            due = commit.last_input + 1, (commit.last_event or due[1] - 1) + 1
        for what, first in zip(("inputs", "events"), due, strict=True):
            if evidence.rest(what, first)[0]:
                raise DiffersError(f"{hot}: {what} from {first} on are in no commit; it stays as it is")
    if next(rows, None) or next(events, None) or next(commits, None) or prev != sealed.manifest.head.hash:
        raise DiffersError(f"{folder}: goes on where {hot} ends")


def _same(hot: Path, folder: Path, ours: Iterator[tuple[object, ...]], theirs: Iterator[object]) -> Iterator[tuple]:  # type: ignore[type-arg]
    for one in ours:
        if next(theirs, None) != one:
            raise DiffersError(f"{folder}: row {one[0]} is not that of {hot}")
        yield one
    if next(theirs, None) is not None:
        raise DiffersError(f"{folder}: goes on where {hot} ends")


def _linked(
    hot: Path,
    commit: CommitEntry,
    prev: str,
    rows: Iterator[Row],
    events: Iterator[tuple[int, bytes, str]],
    widths: Widths | None,
    run: int,
) -> str:
    """The hash of a commit as its rows give it."""
    taken = list(islice(rows, commit.last_input - commit.first_input + 1))
    count = (commit.last_event or 0) - (commit.first_event or 1) + 1
    bodies = [body for _, body, _ in islice(events, count)]
    digest = chain.inputs_digest(list(map(packed, taken)))
    made = chain.link(
        prev=prev,
        run=run,
        first_input=commit.first_input,
        last_input=commit.last_input,
        widths=widths if any(row[1] == "scan" for row in taken) else None,
        digest=digest,
        events=bodies,
    )
    if made != commit.hash or digest != commit.digest:
        raise DiffersError(f"{hot}: commit {commit.number}: its chain does not hold; it stays as it is")
    return made


def _same_commit(hot: Path, ours: CommitEntry, theirs: SealedCommit | None, signature: object) -> None:
    span = (
        ours.number,
        ours.first_input,
        ours.last_input,
        ours.first_event,
        ours.last_event,
        ours.sums[::4],
        signature,
    )
    if theirs is None or span != (
        theirs.commit_no,
        theirs.first_input,
        theirs.last_input,
        theirs.first_event,
        theirs.last_event,
        theirs.sums,
        theirs.signature,
    ):
        raise DiffersError(f"commit {ours.number} is not that of {hot}")
    if theirs.hash not in (None, ours.hash):
        raise DiffersError(f"commit {ours.number} has another hash than in {hot}")
