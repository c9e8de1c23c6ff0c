"""What stands beside the chain of a sealed segment for people and other tools, held against the Start, which is in it.

The rig file, the names of the columns and the head of the manifest say again what the Start says. No commit covers
them, and whoever changes one makes its checksum anew.
"""

from collections.abc import Iterator, Mapping
from zipfile import BadZipFile

from brakewater.errors import RigFileError, StorageError
from brakewater.record.documents import start_of
from brakewater.record.layouts import with_layout
from brakewater.record.sealed.columns import Columns, columns_of
from brakewater.record.sealed.layout import MANIFEST, RIG, SCANS, START
from brakewater.record.sealed.read import Sealed
from brakewater.rig import Rig, as_recorded, parse
from brakewater.stream import Start


def beside(sealed: Sealed) -> Iterator[tuple[str, str]]:
    """What is not as the Start says, each a file and what is wrong.

    Raises:
        OSError, KeyError, ValueError: the Start cannot be read.
    """
    manifest, folder = sealed.manifest, sealed.path
    start = start_of(manifest.run, manifest.t_ns, manifest.utc_ns, (folder / START).read_bytes())
    try:
        text = (folder / RIG).read_bytes()
    except (OSError, KeyError, BadZipFile):  # said already, as of any file that cannot be read
        text = start.rig_toml.encode()
    if text != start.rig_toml.encode():
        yield RIG, "is not the rig file that the watch began with"
    rig = _rig(start, sealed)
    # A version that refused the rig file left its name empty; this one may.
    name = rig.name if rig is not None and manifest.rig else manifest.rig
    for what, told, is_so in (
        ("version", manifest.version, start.version),
        ("boot", manifest.boot, start.boot),
        ("rig", manifest.rig, name),
    ):
        if told != is_so:
            yield MANIFEST, f"says {what} {told!r}, and its start says {is_so!r}"
    if rig is not None and manifest.columns is not None:
        yield from _misnamed(manifest.columns, columns_of(rig, manifest.columns.widths))


def _rig(start: Start, sealed: Sealed) -> Rig | None:
    """None where this version refuses it: then its names cannot be told."""
    try:
        start = with_layout(start, lambda: sealed.manifest.widths)
        return as_recorded(parse(start.rig_toml, f"run {start.run}"), start.own)
    except (RigFileError, StorageError):
        return None


def _misnamed(found: Columns, due: Columns) -> Iterator[tuple[str, str]]:
    """Columns under the name of another; what another version called otherwise is none."""
    places = _places(due)
    for name, place in _places(found).items():
        if places.get(name, place) != place:
            yield SCANS, f"its column {name} is not that of {name}, by the rig file"


def _places(columns: Columns) -> Mapping[str, int]:
    return {
        **{one.name: one.first for one in columns.words},
        **{name: at for at, name in enumerate(columns.status)},
        **{name: at for at, name in enumerate(columns.age)},
    }
