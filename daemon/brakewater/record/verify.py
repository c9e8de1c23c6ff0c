"""Proof that a record is unaltered since it was written: sequence numbers, chain, signatures, heads kept outside.

The chain alone proves consistency. Whoever rewrites a record may hash it anew throughout; only a signature by a key
that is not theirs or a head kept elsewhere shows that, and the report says what it was held against.
"""

import zipfile
from collections.abc import Callable, Collection, Mapping
from itertools import pairwise
from pathlib import Path

from brakewater.record.anchor import Anchor
from brakewater.record.case_list import check_list, trimmed_of
from brakewater.record.case_places import README
from brakewater.record.evidence import hot_evidence
from brakewater.record.places import Place, Places, is_case, places_of
from brakewater.record.report import Report
from brakewater.record.sealed.evidence import sealed_evidence
from brakewater.record.sealed.layout import sealed_again
from brakewater.record.segment import segment_path
from brakewater.record.segment_check import SegmentCheck
from brakewater.record.trimmed import trimmed
from brakewater.record.witness import Witness


def verify(
    place: Path,
    *,
    keys: Collection[str] = (),
    anchor: Anchor | None = None,
    tell: Callable[[int, int], None] = lambda _done, _all: None,
) -> Report:
    """Check a record.

    Args:
        place: record folder or case file.
        keys: public keys in hex that are trusted; with any, what is not signed by one of them counts as altered.
        anchor: heads from outside; what does not match them counts as altered.
        tell: called with how many segments are done, and of how many.

    Raises:
        StorageError: it cannot be read.
    """
    report = Report()
    witness = Witness(report, frozenset(keys), anchor)
    places = places_of(place).begun()
    gone = trimmed_of(place) if is_case(place) else trimmed(place)
    for done, one in enumerate(places.values()):
        tell(done, len(places))
        opened = sealed_evidence(one.path) if one.sealed else hot_evidence(one.path)
        SegmentCheck(str(one.path), one.run, report, witness, gone).check(opened)
    if is_case(place):
        report.begins_after = None  # a window of a record begins somewhere
        _check_readme(place, report)
        check_list(place, report)
    else:
        _check_beginning(report, min(places, default=0), places)
        for again in sealed_again(place):
            report.blame(
                str(again), "segment", f"run {int(again.name)} once more: its other folder is the one that counts"
            )
        _check_numbers(place, set(places) | set(report.trimmed), {run for run, _ in gone.values()}, report)
    witness.close(whole=not is_case(place))
    tell(len(places), len(places))
    return report


def _check_beginning(report: Report, oldest: int, places: Mapping[int, Place]) -> None:
    """Whoever takes the oldest runs away leaves a chain without a fault, which begins in the middle of nothing."""
    if report.begins_after is None:
        return
    after = f"run {report.begins_after}, which is not here, and no list says that retention deleted it"
    if report.trimmed:
        before = f"run {report.trimmed[0]} is the first that the list of what retention deleted has"
        after = f"runs up to {report.begins_after}, which are neither here nor on it; {before}"
    report.blame(
        str(places[oldest].path), "meta", f"the oldest run here, {oldest}, follows {after}: moved away, or taken out"
    )


def _check_numbers(folder: Path, runs: set[int], gone: set[int], report: Report) -> None:
    """Runs are counted without a hole, so a number that nothing accounts for is a run that was there.

    The chain need not show it: a watch that cannot read the last run goes on from the run before.
    """
    told = {gap.lost_run for gap in report.gaps} | gone | set(Places(folder).all()) | report.missing
    known = sorted(run for run in runs | told if min(runs, default=0) <= run <= max(runs, default=0))
    for before, after in pairwise(known):  # a stranger's file may have any number
        if after - before > 1:
            first, last = before + 1, after - 1
            report.blame(
                str(segment_path(folder, first)),
                f"run {first}" if first == last else f"runs {first} to {last}",
                f"missing: no file, and nothing tells of a loss; run {min(run for run in runs if run > last)} began"
                " without it, so it was damaged by then, or neither was written",
            )


def _check_readme(case: Path, report: Report) -> None:
    """The zip has a checksum of its own over it; that of the list is held against it elsewhere."""
    try:
        with zipfile.ZipFile(case) as archive:
            archive.read(README)
    except (KeyError, zipfile.BadZipFile) as error:
        report.blame(str(case), README, f"cannot be read: {error}")
