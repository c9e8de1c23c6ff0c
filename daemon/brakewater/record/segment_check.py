"""The check of one segment against its own chain: which rows are missing, changed or in another's place."""

import sqlite3
import struct
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager

from brakewater.errors import StorageError
from brakewater.record import chain
from brakewater.record.documents import gap_of, parse
from brakewater.record.evidence import CommitEntry, EventRow, Evidence
from brakewater.record.hot import MALFORMED
from brakewater.record.report import Report
from brakewater.record.rows import Row, Widths, packed
from brakewater.record.segment import Head, NewerRecordError
from brakewater.record.trimmed import Gone, led_up
from brakewater.record.witness import Witness


class SegmentCheck:
    """The check of one segment; adds to the report."""

    def __init__(self, file: str, run: int, report: Report, witness: Witness, gone: Gone) -> None:
        self._file, self._run, self._report, self._witness, self._gone = file, run, report, witness, gone
        self._next_input, self._next_event, self._next_commit = 0, 1, 1
        self._before: tuple[str, ...] = ()
        """Hashes the next commit may follow: as recorded and as computed."""
        self._kept_no, self._blamed = 0, 0
        """The last commit whose hash was kept, and how much was blamed by then."""

    def check(self, opened: AbstractContextManager[Evidence]) -> None:
        """Check it all, as far as it can be read."""
        self._report.runs += 1
        end: Head | None = None
        try:
            with opened as evidence:
                end = evidence.head
                for place, says in evidence.file_complaints():
                    self._blame(place, says)
                self._check_meta(evidence)
                widths = evidence.widths()
                self._witness.open(self._file, self._run, evidence.signatures())
                for commit in evidence.commits():
                    self._check_commit(evidence, commit, widths)
                self._check_rest(evidence)
                self._check_itself(evidence)
                self._report.worked_out += bool(evidence.worked_out())
        except NewerRecordError:
            raise
        except (StorageError, sqlite3.DatabaseError, *MALFORMED) as error:
            self._blame(self._reached(), _unreadable(error, self._file))
            # The next segment is not to be blamed for this one.
            self._report.head, self._report.cut_off = end or self._report.head, end is None
            self._witness.lost_sight(self._run)

    def _reached(self) -> str:
        if self._next_commit == 1:
            return "from its beginning"
        return f"after input {self._next_input - 1} (commit {self._next_commit - 1})"

    def _blame(self, place: str, says: str) -> None:
        self._report.blame(self._file, place, says)

    def _check_meta(self, evidence: Evidence) -> None:
        meta, known = evidence.meta(), self._report.head
        link, before = str(meta.get("prev_hash")), meta.get("prev_run")
        if meta.get("run") != self._run:
            self._blame("meta", f"says run {meta.get('run')}")
        follows = self._report.cut_off or (known is not None and self._leads(known.hash, link))
        self._report.cut_off = False
        if self._report.runs == 1:
            self._check_beginning(link, before)
        if self._report.runs > 1 and not follows:
            between = self._between(known, before)
            self._blame("meta", f"follows run {before} at {link[:16]}, which is not how the run before ends{between}")
        self._before = (link,)

    def _check_beginning(self, link: str, before: object) -> None:
        """A record begins with its first run, or after what retention has deleted from there on without a hole."""
        passed, begun = led_up(self._gone, link)
        self._report.trimmed += passed
        if begun == chain.GENESIS:
            return
        self._report.begins_after = passed[0] - 1 if passed else before if isinstance(before, int) else 0

    def _between(self, known: Head | None, before: object) -> str:
        """What is between this run and the one that it says it follows."""
        if known is None or not isinstance(before, int) or known.run == before:
            return ""
        if known.run > before:
            return f"; run {known.run} came between and is passed over"
        self._report.missing.add(before)
        return f"; run {before} is missing"

    def _leads(self, at: str, link: str) -> bool:
        """Whether the chain goes from one hash to another, over nothing but what retention has deleted."""
        passed: list[int] = []
        while at != link and at in self._gone and len(passed) < len(self._gone):
            run, at = self._gone[at]
            passed.append(run)
        if at == link:
            self._report.trimmed += passed
        return at == link

    def _check_commit(self, evidence: Evidence, commit: CommitEntry, widths: Widths | None) -> None:
        self._check_sequence(commit)
        if self._kept_no == self._next_commit - 1:
            self._blamed = len(self._report.altered)
        rows, events = self._rows(evidence, commit), self._events(evidence, commit)
        parts = {row[0] - commit.first_input: _packed(row) for row in rows}
        digest = chain.inputs_digest(list(parts.values()))
        after = commit.last_input - commit.first_input + 1
        parts |= {after + n - (commit.first_event or 0): body for n, _, body in events}
        hashes = self._hashes(commit, rows, events, digest, widths)
        told = commit.sums == chain.sums(list(parts.values()), commit.sum_bytes) and commit.digest in (None, digest)
        linked = commit.hash in hashes if commit.hash is not None else told
        if not linked:
            self._name(commit, parts)
        # Where the commit before is missing nothing can be said of the link, only of the rows.
        if len(self._report.altered) == self._blamed and not (told and (linked or not hashes)):
            rows_fit = "; its inputs fit their digest" if digest == commit.digest else ""
            self._blame(self._span(commit), f"its entry, its place or the widths were changed{rows_fit}")
        self._count(commit, rows, events, hashes)

    def _span(self, commit: CommitEntry) -> str:
        """Commits up to this one whose hashes were not kept."""
        first = self._kept_no + 1
        return f"commit {commit.number}" if first == commit.number else f"commits {first} to {commit.number}"

    def _hashes(
        self, commit: CommitEntry, rows: list[Row], events: list[EventRow], digest: str, widths: Widths | None
    ) -> list[str]:
        scans = any(row[1] == "scan" for row in rows)
        return [
            chain.link(
                prev=prev,
                run=self._run,
                first_input=commit.first_input,
                last_input=commit.last_input,
                widths=widths if scans else None,
                digest=digest,
                events=[body for _, _, body in events],
            )
            for prev in self._before
        ]

    def _name(self, commit: CommitEntry, parts: Mapping[int, bytes]) -> None:
        """Name the rows of a commit that are not what they were, as the sums tell."""
        after = commit.last_input - commit.first_input + 1
        for at in chain.odd_ones(parts, commit.sums, commit.sum_bytes):
            place = (
                f"input {commit.first_input + at}" if at < after else f"event {(commit.first_event or 0) + at - after}"
            )
            self._blame(place, "changed")

    def _check_sequence(self, commit: CommitEntry) -> None:
        if commit.number != self._next_commit:
            self._blame(f"commits {self._next_commit} to {commit.number - 1}", "missing")
            self._before = ()  # what this one follows cannot be told
        if commit.first_input != self._next_input:
            self._blame(f"inputs {self._next_input} to {commit.first_input - 1}", "in no commit")

    def _rows(self, evidence: Evidence, commit: CommitEntry) -> list[Row]:
        rows = evidence.rows(commit.first_input, commit.last_input)
        self._check_present("input", [row[0] for row in rows], commit.first_input, commit.last_input)
        return rows

    def _events(self, evidence: Evidence, commit: CommitEntry) -> list[EventRow]:
        if commit.first_event is None or commit.last_event is None:
            return []
        rows = evidence.events(commit.first_event, commit.last_event)
        self._check_present("event", [row[0] for row in rows], commit.first_event, commit.last_event)
        for n, number, body in rows:
            if not _is_of(body, self._run, number, n):
                self._blame(f"event {n}", "its columns and its document differ")
        return rows

    def _check_present(self, what: str, numbers: Sequence[int], first: int, last: int) -> None:
        for number in sorted(set(range(first, last + 1)) - set(numbers)):
            self._blame(f"{what} {number}", "missing")

    def _count(self, commit: CommitEntry, rows: list[Row], events: list[EventRow], hashes: list[str]) -> None:
        self._next_input, self._next_commit = commit.last_input + 1, commit.number + 1
        self._next_event = (commit.last_event or self._next_event - 1) + 1
        self._before = tuple({*hashes, *([commit.hash] if commit.hash is not None else [])})
        report = self._report
        if self._gone:
            report.retention |= any(_keeps(row[4]) for row in rows if row[1] == "start")
        report.inputs, report.events, report.commits = (
            report.inputs + len(rows),
            report.events + len(events),
            report.commits + 1,
        )
        report.gaps.extend(
            gap_of(self._run, number, t_ns, utc_ns, body) for number, kind, t_ns, utc_ns, body in rows if kind == "gap"
        )
        report.head = Head(run=self._run, commit_no=commit.number, hash=commit.hash or (hashes or [""])[0])
        # A hash that is not kept tells nothing more once a row before it was changed.
        sure = commit.hash is not None or len(report.altered) == self._blamed
        urgent = bool(events) or any(row[1] != "scan" for row in rows)
        t_ns = rows[-1][2] if rows else None
        self._witness.hear(report.head, hashes if sure else None, t_ns=t_ns, urgent=urgent)
        if commit.hash is not None:
            self._kept_no = commit.number

    def _check_itself(self, evidence: Evidence) -> None:
        for place, says in evidence.complaints():
            self._blame(place, says)
        if evidence.head is not None and evidence.head != self._report.head:
            self._blame(
                "manifest.json", f"says that it ends at commit {evidence.head.commit_no}, and its chain does not"
            )
        self._report.head = evidence.head or self._report.head

    def _check_rest(self, evidence: Evidence) -> None:
        for what, due in (("inputs", self._next_input), ("events", self._next_event)):
            count, last = evidence.rest(what, due)
            if count:
                self._blame(f"{what} {due} to {last}", "in no commit")


def _unreadable(error: Exception, file: str) -> str:
    """What is wrong with a file, without naming it: whoever is told has its name before him."""
    said = str(error).removeprefix(f"{file}: ")
    return said if said.startswith("unreadable: ") else f"unreadable: {said}"


def _keeps(start: bytes) -> bool:
    """Whether the rig file of a Start limits what is kept."""
    try:
        table = tomllib.loads(parse(start)["rig_toml"]).get("record", {})
        return bool({"keep", "keep-size"} & set(table))
    except MALFORMED:
        return False


def _packed(row: Row) -> bytes:
    try:
        return packed(row)
    except (struct.error, KeyError, TypeError):
        return b""  # holds what no row has, so no hash can fit


def _is_of(body: bytes, run: int, number: int, n: int) -> bool:
    try:
        doc = parse(body)
    except MALFORMED:
        return False
    return (doc.get("run"), doc.get("input"), doc.get("n")) == (run, number, n)
