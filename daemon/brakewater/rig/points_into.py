"""An I/O list put back into a rig file: only point tables change; all else stays letter by letter."""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from brakewater.errors import Defect, Fault, RigFileError
from brakewater.rig.load import parse
from brakewater.rig.point_blocks import Block, blocks, changed, new_block, same
from brakewater.rig.points_csv import Row, raw_points, read_rows

_POINT: Final = re.compile(r"(?:brake\[(\d+)\]\.)?point\[(\d+)\](?:\.(.+))?")


def points_into(text: str, list_text: str, *, file: str, list_file: str) -> str:
    """The text of a rig file with the points of an I/O list. Points keep their order; new ones follow the last.

    Args:
        text: of the rig file; its points may be faulty or missing, all else must be sound.
        list_text: of the CSV file.
        file: name of the rig file, for messages.
        list_file: name of the CSV file, for messages.

    Raises:
        RigFileError: the list or the rig that would come of it has faults; those of points name row and column.
    """
    raw = _toml(text, file)
    names = [str(brake.get("name", "")) for brake in raw.get("brake", []) if isinstance(brake, dict)]
    rows = read_rows(list_text, list_file, names)
    made = _written(text, raw, rows, names)
    _check(made, rows, file, list_file)
    return made


def _toml(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        fault = Fault(file=file, line=1, key="(syntax)", found=str(error), allowed="TOML 1.0; run brakewater check")
        raise RigFileError((fault,)) from error


def _written(text: str, raw: Mapping[str, Any], rows: Sequence[Row], names: Sequence[str]) -> str:
    lines = text.split("\n")
    tables = blocks(lines)
    old = _old(raw, tables, names)
    left = {(row.brake, row.keys["name"]): row for row in rows}
    replaced: dict[int, list[str] | None] = {}
    for at, (brake, keys) in old.items():
        row = left.pop((brake, keys.get("name")), None)
        block = tables[at]
        replaced[at] = None if row is None else changed(lines[block.first : block.end], keys, row.keys)
    added: dict[int, list[Row]] = {}
    for row in left.values():
        added.setdefault(_place(tables, names, row.brake), []).append(row)
    return "\n".join(_joined(lines, tables, replaced, added))


def _old(
    raw: Mapping[str, Any], tables: Sequence[Block], names: Sequence[str]
) -> dict[int, tuple[str, dict[str, Any]]]:
    """Index of a block -> brake and keys of its point."""
    found = {}
    own: dict[str, list[dict[str, Any]]] = {}
    for brake, table in raw_points(raw):
        own.setdefault(brake, []).append(table)
    for at, block in enumerate(tables):
        if block.is_point:
            brake = names[block.brake] if block.brake is not None else ""
            found[at] = (brake, own[brake].pop(0))
    return found


def _place(tables: Sequence[Block], names: Sequence[str], brake: str) -> int:
    """The block that new points of a brake (or the rig) follow; -1 for the end of the file."""
    if brake:
        mine = [at for at, one in enumerate(tables) if one.brake == names.index(brake)]
    else:
        mine = [at for at, one in enumerate(tables) if one.table == "point"]
        mine = mine or [at for at, one in enumerate(tables) if one.table == "device"]
    points = [at for at in mine if tables[at].is_point]
    return (points or mine or [-1])[-1]


def _joined(
    lines: Sequence[str],
    tables: Sequence[Block],
    replaced: Mapping[int, list[str] | None],
    added: Mapping[int, list[Row]],
) -> list[str]:
    made: list[str] = []
    after = 0
    for at, block in enumerate(tables):
        made += lines[after : block.first]
        own = replaced.get(at, list(lines[block.first : block.end]))
        if own is not None:
            made += own
        elif made and not made[-1].strip():
            made.pop()  # the blank line that parted it from what stood before
        for row in added.get(at, ()):
            made += ["", *new_block("brake.point" if row.brake else "point", row.keys)]
        after = block.end
    made += lines[after:]
    for row in added.get(-1, ()):
        made += [*new_block("point", row.keys), ""]
    return made


def _check(made: str, rows: Sequence[Row], file: str, list_file: str) -> None:
    try:
        new = [(brake, keys) for brake, keys in raw_points(tomllib.loads(made))]
    except (ValueError, KeyError) as error:
        raise Defect(f"{file}: its points could not be rewritten ({error}); write them as [[point]] tables") from error
    by_name = {(row.brake, row.keys["name"]): row for row in rows}
    whole = len(new) == len(rows) and all(
        (brake, keys.get("name")) in by_name and same(by_name[brake, keys["name"]].keys, keys) for brake, keys in new
    )
    if not whole:
        hint = "write every point as a table of its own, [[point]] or [[brake.point]]"
        fault = Fault(file=file, line=1, key="point", found="points in another form", allowed=hint)
        raise RigFileError((fault,))
    try:
        parse(made, file)
    except RigFileError as error:
        raise RigFileError(tuple(_told(fault, made, by_name, list_file) for fault in error.faults)) from error


def _told(fault: Fault, made: str, rows: Mapping[tuple[str, str], Row], list_file: str) -> Fault:
    """A fault of a point with its row and column; any other as it is."""
    place = _POINT.fullmatch(fault.key)
    if place is None:
        return replace(fault, file=f"{fault.file} with {list_file}")
    raw = tomllib.loads(made)
    brake, index, column = place.groups()
    holder = raw["brake"][int(brake)] if brake else raw
    row = rows[str(holder["name"]) if brake else "", holder["point"][int(index)]["name"]]
    where = f"row {row.row}, column {column or 'name'}"
    return replace(fault, file=list_file, line=row.row, key=where)
