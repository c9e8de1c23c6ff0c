"""Whole sealed segments deleted by age and by size, oldest first; summaries stay, and so does what is under hold."""

import json
import logging
import os
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from time import time_ns
from typing import Final

from brakewater.errors import DamagedRecordError
from brakewater.record.durable import sync_folder
from brakewater.record.holds import Hold, holding_still
from brakewater.record.sealed.layout import sealed_paths, segments_folder
from brakewater.record.sealed.manifest import Manifest, read_manifest
from brakewater.record.segment import hot_folder
from brakewater.record.trimmed import TRIMMED
from brakewater.record.walltime import EARLIEST_NS
from brakewater.units import utc_text

_NEVER_NS: Final = 2**63 - 1
"""An end that is not known."""

_LEAP_NS: Final = 30 * 86_400 * 1_000_000_000
"""No run lasts so long, and few rigs stand so long; an assumption."""
_PROVEN_NS: Final = 7 * 86_400 * 1_000_000_000
"""Within which somebody has seen that the date is wrong: there is an alarm, and times on every page; an assumption."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What is kept; None: all."""

    age_ns: int | None = None
    size: int | None = None
    """Bytes, hot segments included."""


def trim(folder: Path, limits: Limits, *, now_utc_ns: int | None = None) -> list[int]:
    """Delete what is beyond the limits.

    Age counts back from the newest sealed segment, never from beyond the machine's clock: neither a clock that has run
    away nor a rig that stood for a year makes anything old. Nor does a clock that was behind: no run is older than one
    before it, and one whose times cannot be right is as old as the next one whose can. A clock that leaps ahead and is
    recorded so is not believed for a week: until then it may be a wrong one that nobody has seen yet.

    Args:
        folder: record folder.
        limits: what is kept.
        now_utc_ns: the wall clock where not the machine's.

    Returns:
        Runs deleted.

    Raises:
        StorageError: holds cannot be read; nothing was deleted.
    """
    if limits.age_ns is None and limits.size is None:
        return []
    for gone in segments_folder(folder).glob(".trimmed-*"):  # left by a crash
        shutil.rmtree(gone, ignore_errors=True)
    paths = sealed_paths(folder)
    old = set() if limits.age_ns is None else _old(paths, limits.age_ns, now_utc_ns or time_ns())
    spans = _spans(paths, now_utc_ns or time_ns())
    sizes = {run: _size(path) for run, path in paths.items()}
    total = sum(sizes.values()) + (_size(hot_folder(folder)) if limits.size is not None else 0)
    trimmed = []
    for run, path in paths.items():
        over_size = limits.size is not None and total > limits.size
        if (run in old or over_size) and _delete(folder, path, spans.get(run), "age" if run in old else "size"):
            total -= sizes[run]
            trimmed.append(run)
    return trimmed


def _old(paths: Mapping[int, Path], age_ns: int, now_ns: int) -> set[int]:
    """Runs that are over the age."""
    ends = {run: _end_ns(path, now_ns) for run, path in paths.items()}
    before_ns = _newest_ns([end for end in ends.values() if end is not None]) - age_ns
    old, waiting = set[int](), set[int]()
    for run, end in ends.items():
        waiting.add(run)
        if end is None:
            continue
        if end >= before_ns:
            break
        old |= waiting
        waiting = set()
    return old


def _newest_ns(ends: Sequence[int]) -> int:
    """Where the record has come to, by the ends of its runs in order; beyond a leap only once it has gone on there."""
    newest, leapt = 0, None
    for end in ends:
        if newest and end - newest > _LEAP_NS:
            leapt = end if leapt is None or end < leapt else leapt
            newest = end if end - leapt >= _PROVEN_NS else newest
        else:
            newest, leapt = max(newest, end), None
    return newest


def _end_ns(path: Path, now_ns: int) -> int | None:
    """Wall time of a segment's end; None where it cannot be right, or be read, which is told when its turn comes."""
    try:
        end_ns = read_manifest(path).to_utc_ns
    except DamagedRecordError:
        return None
    return end_ns if EARLIEST_NS <= end_ns <= now_ns else None


def _spans(paths: Mapping[int, Path], now_ns: int) -> dict[int, tuple[int, int]]:
    """What each run may have seen, by wall time: one whose times cannot be right, all between its neighbours' as well.

    A hold is on what happened, whatever the clock said then. A run without a manifest that can be read is left out.
    """
    manifests = {}
    for run, path in paths.items():
        with suppress(DamagedRecordError):  # told when its turn comes
            manifests[run] = read_manifest(path)
    found, before, waiting = dict[int, tuple[int, int]](), 0, list[int]()
    for run, manifest in manifests.items():
        found[run] = manifest.from_utc_ns, manifest.to_utc_ns
        if not EARLIEST_NS <= manifest.to_utc_ns <= now_ns:
            found[run] = min(before, manifest.from_utc_ns), _NEVER_NS
            waiting.append(run)
            continue
        found |= {one: (found[one][0], max(manifests[one].to_utc_ns, manifest.from_utc_ns)) for one in waiting}
        before, waiting = manifest.to_utc_ns, []
    return found


def _delete(folder: Path, path: Path, span: tuple[int, int] | None, why: str) -> bool:
    run = int(path.name)
    try:
        manifest = read_manifest(path)
    except DamagedRecordError as error:
        _log.warning("run %d is kept, whatever its age: %s", run, error)
        return False
    away = segments_folder(folder) / f".trimmed-{run:08d}"
    with holding_still(folder) as holds:
        held = _held(holds, *(span or (manifest.from_utc_ns, manifest.to_utc_ns)))
        if held is not None:
            _log.info("run %d is kept: hold %s by %s: %s", run, held.id, held.actor, held.reason)
            return False
        _note(folder, manifest, why)
        os.replace(path, away)  # noqa: PTH105 - atomic on purpose: a segment is there whole or not at all
    sync_folder(path.parent)
    os.utime(segments_folder(folder))
    shutil.rmtree(away, ignore_errors=True)
    _log.info("run %d is trimmed: over %s", run, why)
    return True


def _note(folder: Path, manifest: Manifest, why: str) -> None:
    """Put down what is deleted and where the chain stood, so that it is never taken for a loss."""
    span = {"from": utc_text(manifest.from_utc_ns), "to": utc_text(manifest.to_utc_ns)}
    head = {"commit": manifest.head.commit_no, "hash": manifest.head.hash, "prev_hash": manifest.prev_hash}
    with (segments_folder(folder) / TRIMMED).open("a+b") as file:
        torn = file.seek(0, os.SEEK_END) > 0 and file.seek(-1, os.SEEK_END) >= 0 and file.read(1) != b"\n"
        line = json.dumps({"run": manifest.run, **span, **head, "why": why}).encode() + b"\n"
        file.write(b"\n" + line if torn else line)
        file.flush()
        os.fsync(file.fileno())
    sync_folder(segments_folder(folder))


def _held(holds: tuple[Hold, ...], from_utc_ns: int, to_utc_ns: int) -> Hold | None:
    return next((one for one in holds if one.covers(from_utc_ns, to_utc_ns)), None)


def _size(folder: Path) -> int:
    total = 0
    for base, _, names in os.walk(folder):
        for name in names:
            try:
                total += (Path(base) / name).stat().st_size
            except FileNotFoundError:
                continue
    return total
