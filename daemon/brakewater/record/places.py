"""Where each run of a record is: in its hot file or, once sealed, in its folder.

A run is in both from the moment its folder is in place until its hot file is gone; the hot file counts as long as it is
there. Whoever seals or trims touches the folder ``segments``, so that readers need not list it each time.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol, cast

from brakewater.errors import StorageError, plainly
from brakewater.record.case_places import case_paths
from brakewater.record.sealed.layout import sealed_paths, segments_folder
from brakewater.record.segment import is_begun, segment_path, segment_runs

_BARE_BYTES: Final = 4096
"""A file that was just made has one page of SQLite's at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One run."""

    run: int
    path: Path
    """A file, or a folder where it is sealed. In a case file a ``zipfile.Path``, which has what is needed of it."""
    sealed: bool


class WhereRunsAre(Protocol):
    """Knows the place of each run of a record."""

    def begun(self) -> dict[int, Place]:
        """Run -> where it is, in order of runs; without those whose Start was never committed."""
        ...

    def of(self, run: int) -> Place | None:
        """Where a run is now; None where it is gone."""
        ...


class CasePlaces:
    """The runs of a case file."""

    def __init__(self, file: Path) -> None:
        """Look into it.

        Raises:
            StorageError: it is none, or one that nobody should open.
        """
        paths = case_paths(file)
        self._found = {run: Place(run=run, path=cast("Path", path), sealed=True) for run, path in paths.items()}

    def begun(self) -> dict[int, Place]:
        """All of them."""
        return self._found

    def of(self, run: int) -> Place | None:
        """Where a run is."""
        return self._found.get(run)


def _is_bare(hot: Path) -> bool:
    """Whether a file is too small to hold a Start; what its WAL holds is still to be looked at."""
    try:
        return hot.stat().st_size <= _BARE_BYTES
    except OSError:
        return False


def is_case(place: Path) -> bool:
    """Whether it is a case file rather than a record folder."""
    return place.is_file()


def nothing_at(place: Path) -> str:
    """Why no run was found there, for whoever named the place."""
    try:
        if not place.exists():
            return f"{place}: no such file or folder"
        if segment_runs(place):
            return f"{place}: a run was begun and nothing of it was recorded; what is in hot/ is empty"
        if segment_runs(place.parent) or sealed_paths(place.parent):
            return f"{place}: found a part of a record; give the whole of it: {place.parent}"
    except OSError as error:
        return f"{place}: {plainly(error)}"
    return f"{place}: found no record here; a record folder holds hot/*.sqlite3 or segments/"


def places_of(place: Path) -> WhereRunsAre:
    """The runs of a record, be it a folder or a case file.

    Raises:
        StorageError: a file that is no case file, or one that nobody should open.
    """
    return CasePlaces(place) if is_case(place) else Places(place)


class Places:
    """The runs of one record folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._listed_ns = 0
        self._sealed: dict[int, Path] = {}

    def all(self) -> dict[int, Place]:
        """Run -> where it is, in order of runs. A hot file may be one whose Start was never committed.

        Raises:
            StorageError: the folders cannot be listed.
        """
        # The hot files first: a run that is sealed meanwhile is then seen twice, and never missed.
        hot, sealed = segment_runs(self._folder), self._sealed_paths()
        found = {run: Place(run=run, path=path, sealed=True) for run, path in sealed.items()}
        found |= {run: Place(run=run, path=segment_path(self._folder, run), sealed=False) for run in hot}
        return dict(sorted(found.items()))

    def begun(self) -> dict[int, Place]:
        """As ``all``, without files whose Start was never committed: the newest, or one that a full disk stopped.

        Raises:
            StorageError: the folders cannot be listed.
        """
        found = self.all()
        newest = max(found, default=0)
        return {
            run: place
            for run, place in found.items()
            if place.sealed or not (run == newest or _is_bare(place.path)) or is_begun(place.path)
        }

    def of(self, run: int) -> Place | None:
        """Where a run is now; None where it is gone.

        Raises:
            StorageError: the folders cannot be listed.
        """
        path = segment_path(self._folder, run)
        try:
            if path.exists():
                return Place(run=run, path=path, sealed=False)
        except OSError as error:
            raise StorageError(f"{path}: {plainly(error)}") from error
        sealed = self._sealed_paths().get(run)
        return Place(run=run, path=sealed, sealed=True) if sealed else None

    def _sealed_paths(self) -> dict[int, Path]:
        try:
            changed_ns = segments_folder(self._folder).stat().st_mtime_ns
        except FileNotFoundError:
            return {}
        except OSError:
            changed_ns = 0  # listing will say what is wrong
        if changed_ns != self._listed_ns or not changed_ns:
            self._sealed, self._listed_ns = sealed_paths(self._folder), changed_ns
        return self._sealed
