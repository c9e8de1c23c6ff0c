"""What others say of the chain: signatures over its heads, and heads that someone outside has kept.

Both tell what the chain alone cannot: that a record was rewritten and hashed anew. The first head that does not fit,
after the last one that does, says between which commits that was.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from brakewater.record.anchor import Anchor
from brakewater.record.report import Report
from brakewater.record.segment import Head
from brakewater.record.signing import Signature, fits
from brakewater.record.writer import FULL_NS
from brakewater.units import counted


@dataclass(slots=True, kw_only=True)
class _Line:
    """One kind of witness as it goes along the chain."""

    what: str
    last: Head | None = None
    """The newest head that fitted."""
    odd: list[tuple[str, Head]] = field(default_factory=list)
    """File and head of those since then that did not."""
    blamed: int = 0
    """How much had been blamed before the first of them."""


class Witness:
    """Hears every head of the record in order, and adds to the report what does not fit."""

    def __init__(self, report: Report, keys: frozenset[str], anchor: Anchor | None) -> None:
        self._report, self._keys = report, keys
        self._outside = dict(anchor.heads) if anchor else {}
        self._signed, self._anchored = _Line(what="its signature"), _Line(what="the head kept outside")
        self._file, self._run = "", 0
        self._signatures: Mapping[int, Signature] = {}
        self._first_run: int | None = None
        self._full_t_ns = 0
        self._ends: dict[int, tuple[str, int]] = {}
        """Run -> its file and last commit."""
        self._unsigned: list[int] = []
        """Commits of this run that ought to be signed and are not."""
        self._by_others: list[int] = []
        """Commits of this run signed by keys that are not trusted."""
        self._blind: set[int] = set()
        """Runs that could not be read to their end."""
        self._began = False

    def open(self, file: str, run: int, signatures: Mapping[int, Signature]) -> None:
        """A further run begins."""
        self._end_of_run()
        self._file, self._run, self._signatures = file, run, signatures
        self._first_run = run if self._first_run is None else self._first_run
        self._full_t_ns, self._unsigned, self._by_others = 0, [], []
        self._began = True

    def hear(self, head: Head, computed: Collection[str] | None, *, t_ns: int | None, urgent: bool) -> None:
        """A commit of this run.

        Args:
            head: that it makes, as recorded.
            computed: its hash as computed, and another one than recorded is blamed elsewhere; None: what hash it has
                cannot be told.
            t_ns: steady time of its last input; None where that is missing.
            urgent: whether it holds anything but scans.
        """
        self._ends[head.run] = (self._file, head.commit_no)
        due = urgent or (t_ns is not None and t_ns - self._full_t_ns >= FULL_NS)
        if due and t_ns is not None:
            self._full_t_ns = t_ns
        known = self._outside.pop((head.run, head.commit_no), None)
        if computed is None:
            return
        either = (head, *(replace(head, hash=one) for one in computed if one != head.hash))
        self._hear_signature(either, due=due)
        if known is not None:
            self._report.heads_outside += 1
            self._note(self._anchored, head, fit=len(known) == 1 and any(one.hash in known for one in either))
            self._report.anchored = self._anchored.last

    def _hear_signature(self, either: Sequence[Head], *, due: bool) -> None:
        head = either[0]
        signature = self._signatures.get(head.commit_no)
        if signature is None:
            if due:
                self._unsigned.append(head.commit_no)
            return
        fit = any(fits(signature, one) for one in either)
        if fit:
            self._report.keys[signature.key] = self._report.keys.get(signature.key, 0) + 1
        if fit and self._keys and signature.key not in self._keys:
            self._by_others.append(head.commit_no)
            return
        self._note(self._signed, head, fit=fit)
        if self._keys:
            self._report.signed = self._signed.last

    def _note(self, line: _Line, head: Head, *, fit: bool) -> None:
        blamed = len(self._report.altered)
        if not fit:
            line.blamed = line.blamed if line.odd else blamed
            line.odd.append((self._file, head))
            return
        # What follows fits, and covers all before: so the witness itself was changed, if nothing else was by then.
        for file, odd in line.odd if line.blamed == blamed else ():
            self._report.blame(
                file, f"commit {odd.commit_no}", f"{line.what} was changed: it does not fit, later ones do"
            )
        line.odd.clear()
        line.last = head

    def lost_sight(self, run: int) -> None:
        """The rest of a run cannot be read, or all of it: then it was never opened."""
        self._blind.add(run)
        self._first_run = run if self._first_run is None else self._first_run

    def _end_of_run(self) -> None:
        """In a signed run a durable commit is signed; with trusted keys so is every run after the first signed one."""
        trusted = bool(self._keys) and (self._signed.last is not None or bool(self._signed.odd))
        odd = sorted(self._unsigned + self._by_others) if trusted else self._unsigned if self._signatures else []
        if odd:
            span = f"commit {odd[0]}" if len(odd) == 1 else f"commits {odd[0]} to {odd[-1]}"
            by = " by a trusted key" if trusted else ""
            self._report.blame(self._file, span, f"{len(odd)} not signed{by}, as they would have been when written")

    def close(self, *, whole: bool) -> None:
        """The record is at its end.

        Args:
            whole: it goes up to the present; else heads of later runs are none of its own.
        """
        self._end_of_run()
        for line in (self._signed, self._anchored):
            self._rewritten(line)
        if self._keys and self._signed.last is None and not self._signed.odd and self._began:
            self._report.blame(self._file, "signatures", "nothing in this record is signed by a trusted key")
        self._missing(whole=whole)
        if self._report.heads_elsewhere and not self._report.heads_outside and not self._report.altered:
            # Runs that were numbered anew lie beside every head, and whoever asked would be told that all is well.
            says = f"none of the {counted(self._report.heads_elsewhere, 'head')} kept outside is of a run that it holds"
            self._report.blame("record", "heads", says)

    def _rewritten(self, line: _Line) -> None:
        if not line.odd:
            return
        file, head = line.odd[0]
        since = f"after run {line.last.run} commit {line.last.commit_no}" if line.last else "from the beginning on"
        more = f", nor do {len(line.odd) - 1} later ones" if len(line.odd) > 1 else ""
        says = f"{line.what} does not fit{more}: the record was changed {since} and hashed anew"
        self._report.blame(file, f"commit {head.commit_no}", says)

    def _missing(self, *, whole: bool) -> None:
        """Heads from outside that were not met."""
        missed: dict[int, list[int]] = {}
        for run, commit in sorted(self._outside):
            missed.setdefault(run, []).append(commit)
        for run, commits in missed.items():
            before = self._first_run is not None and run < self._first_run
            if before or run in self._report.trimmed or (not whole and run > self._run):
                self._report.heads_elsewhere += len(commits)
            elif run not in self._blind:
                self._blame_missing(run, commits)

    def _blame_missing(self, run: int, commits: list[int]) -> None:
        if run not in self._ends:
            self._report.blame("record", f"run {run}", f"missing: its head at commit {commits[-1]} was kept outside")
            return
        file, last = self._ends[run]
        if commits[-1] > last:
            says = f"missing: the head at commit {commits[-1]} was kept outside"
            self._report.blame(file, f"commits {last + 1} to {commits[-1]}", says)
