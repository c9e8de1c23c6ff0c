"""Proof that a record is unaltered since it was written: sequence numbers, chain, signatures, heads kept outside.

The chain alone proves consistency. Whoever rewrites a record may hash it anew throughout; only a signature by a key
that is not theirs or a head kept elsewhere shows that, and the report says what it was held against.
"""

from collections.abc import Callable, Collection
from pathlib import Path

from brakewater.record.anchor import Anchor
from brakewater.record.evidence import hot_evidence
from brakewater.record.reader import Record
from brakewater.record.report import Report
from brakewater.record.segment import segment_path
from brakewater.record.segment_check import SegmentCheck
from brakewater.record.witness import Witness


def verify(
    folder: Path,
    *,
    keys: Collection[str] = (),
    anchor: Anchor | None = None,
    tell: Callable[[int, int], None] = lambda _done, _all: None,
) -> Report:
    """Check a record folder.

    Args:
        folder: record folder.
        keys: public keys in hex that are trusted; with any, what is not signed by one of them counts as altered.
        anchor: heads from outside; what does not match them counts as altered.
        tell: called with how many segments are done, and of how many.

    Raises:
        StorageError: the folder cannot be read.
    """
    report = Report()
    witness = Witness(report, frozenset(keys), anchor)
    runs = Record(folder).runs()
    for done, run in enumerate(runs):
        tell(done, len(runs))
        SegmentCheck(str(segment_path(folder, run)), run, report, witness).check(
            hot_evidence(segment_path(folder, run))
        )
    witness.close()
    tell(len(runs), len(runs))
    return report
