"""One closed hot segment into its folder. A crash after any step leaves a record that reads the same as before.

    write     into ``segments/.sealing-<run>``, all files made durable
    compare   read back and held against the hot file
    summary   written beside, whole or not at all
    place     the folder is renamed to where it belongs: from here on it is a segment
    remove    the hot file goes, whole

Up to ``place`` the next attempt begins anew; after it, it compares once more and removes. As long as the hot file is
there it is the one that counts.
"""

import logging
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Final

from brakewater.errors import StorageError
from brakewater.record.durable import sync_folder
from brakewater.record.sealed.layout import sealed_path, sealed_paths, segments_folder
from brakewater.record.sealed.manifest import Manifest
from brakewater.record.sealed.write import Options, write_segment
from brakewater.record.sealing.compare import compare
from brakewater.record.sealing.derived import Derived
from brakewater.record.segment import hot_folder, remove_segment, segment_path
from brakewater.rig import Rig

Step = Callable[[str, int], None]
"""Told before each step, with the run."""

_DRAFT: Final = ".sealing-"
_ODD: Final = ".damaged-"

_log = logging.getLogger(__name__)


def no_step(_name: str, _run: int) -> None:
    """Tell nobody."""


def seal(folder: Path, run: int, *, values: bool = False, step: Step = no_step) -> Path:
    """Seal a closed segment; its hot file is gone when this returns.

    Args:
        folder: record folder.
        run: its run; nobody writes to it any more.
        values: keep full-rate values beside the raw words.
        step: told before each step.

    Returns:
        Where it is now.

    Raises:
        StorageError: the hot file is damaged, or the folder does not say what it says; the hot file stays.
        OSError: the disk does not take it; the hot file stays.
    """
    hot = segment_path(folder, run)
    place = sealed_paths(folder).get(run)
    if place is not None and not _stands(hot, place):
        _set_aside(place)
        place = None
    if place is None:
        place = _made(folder, run, values=values, step=step)
    step("remove", run)
    remove_segment(hot)
    sync_folder(hot_folder(folder))
    return place


def _stands(hot: Path, place: Path) -> bool:
    """Whether a folder left by an attempt that got so far is whole."""
    try:
        compare(hot, place)
    except StorageError as error:
        _log.warning("%s: is made anew from its hot file: %s", place, error)
        return False
    return True


def _set_aside(place: Path) -> None:
    odd = place.with_name(f"{_ODD}{place.name}")
    shutil.rmtree(odd, ignore_errors=True)
    os.replace(place, odd)  # noqa: PTH105 - atomic on purpose


def _made(folder: Path, run: int, *, values: bool, step: Step) -> Path:
    hot, draft = segment_path(folder, run), segments_folder(folder) / f"{_DRAFT}{run:08d}"
    shutil.rmtree(draft, ignore_errors=True)
    draft.mkdir(parents=True)
    step("write", run)
    derived: list[Derived] = []

    def options(rig: Rig) -> Options:
        derived.append(Derived(rig, values=values))
        return derived[0].options()

    try:
        manifest = write_segment(hot, run, draft, options)
        step("compare", run)
        compare(hot, draft)
        step("summary", run)
        for one in derived:
            one.summary.finish()
            one.summary.write(folder, run, manifest.utc_ns)
        step("place", run)
        return _placed(folder, draft, manifest)
    except BaseException:
        shutil.rmtree(draft, ignore_errors=True)
        raise


def _placed(folder: Path, draft: Path, manifest: Manifest) -> Path:
    place = sealed_path(folder, manifest.run, manifest.utc_ns)
    place.parent.mkdir(parents=True, exist_ok=True)
    os.replace(draft, place)  # noqa: PTH105 - atomic on purpose
    for above in (place.parent, *place.parents[1:4], folder):
        sync_folder(above)
    os.utime(segments_folder(folder))  # readers look at this alone, see places.py
    return place
