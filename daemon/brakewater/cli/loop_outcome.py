"""What becomes of a loop check's sheet: files, the terminal, the record; and the newest one read back."""

import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from brakewater.review.loop_sheet import Sheet
    from brakewater.review.manner import Manner

FORMS: Final = (".html", ".csv", ".txt")
_MOST_BYTES: Final = 60_000
"""One command's line holds no more, with room for the rest."""


def tell(text: str) -> None:
    """For people, beside what is printed for machines."""
    print(text, file=sys.stderr, flush=True)


def check_files(files: Sequence[Path]) -> None:
    """Before anything is injected: a sheet must not be lost to a bad name.

    Raises:
        ExpectError: a name that cannot be written to.
    """
    from brakewater.cli.expected import ExpectError  # noqa: PLC0415

    for file in files:
        if file.suffix not in FORMS:
            raise ExpectError(f"-o: found {str(file)!r}; allowed: a name that ends in {', '.join(FORMS)}")
        if file.exists():
            raise ExpectError(f"-o: {file} exists; name another file")
        if not file.parent.is_dir():
            raise ExpectError(f"-o: {file.parent} is no folder")


def put(sheet: "Sheet", files: Sequence[Path], manner: "Manner", *, as_json: bool) -> None:
    """Write the files, a page in the language asked for; and print it."""
    from brakewater.record.durable import appearing  # noqa: PLC0415
    from brakewater.review import loop_page  # noqa: PLC0415
    from brakewater.review.loop_sheet import document  # noqa: PLC0415

    forms: dict[str, Callable[[Sheet], str]] = {
        ".html": lambda one: loop_page.html(one, manner.words, manner.code),
        ".csv": loop_page.csv_text,
        ".txt": loop_page.text,
    }
    for file in files:
        with appearing(file) as part:
            part.write_text(forms[file.suffix](sheet), encoding="utf-8", newline="")
    print(json.dumps(document(sheet)) if as_json else loop_page.text(sheet), flush=True)


def recorded(sheet: "Sheet", folder: Path) -> bool:
    """Give it to the running daemon; where none runs, say so: the sheet is printed all the same."""
    from brakewater.control import SOCKET, ask  # noqa: PLC0415
    from brakewater.errors import DeviceError  # noqa: PLC0415
    from brakewater.review.loop_sheet import document  # noqa: PLC0415
    from brakewater.review.proofs import SHEET, VERB  # noqa: PLC0415

    if not (folder / SOCKET).exists():
        tell(f"no daemon on {folder}: the sheet is not in a record, and the point stays unproved there")
        return True
    held = {SHEET: _fitting(document(sheet))}
    try:
        if ask(folder, {"ask": "status"}, holding="rig")["rig"] != sheet.rig:
            tell(f"the daemon on {folder} watches another rig: the sheet is not in its record")
            return True
        answer = ask(folder, {"do": VERB, "point": sheet.point, **held})
    except DeviceError as error:
        answer = {"ok": False, "says": str(error)}
    tell("the sheet is in the record" if answer.get("ok") else f"NOT in the record: {answer.get('says')}")
    return bool(answer.get("ok"))


def _fitting(held: dict[str, Any]) -> dict[str, Any]:
    """A sheet of very many scans is recorded with three readings a step, of the same mean, and moved by as much."""
    if len(json.dumps(held)) <= _MOST_BYTES:
        return held
    return {**held, "steps": [{**step, "readings": _few(step["readings"])} for step in held["steps"]]}


def _few(readings: Sequence[float]) -> Sequence[float]:
    half = len(readings) // 2
    if half <= 1:
        return readings
    first, last = fmean(readings[:half]), fmean(readings[-half:])
    return [first, 3 * fmean(readings) - first - last, last]


def last(folder: Path, point: str) -> "tuple[Sheet, list[str]]":
    """The newest sheet of a point in a record, and what could not be read: a newer one may be lost in it.

    Raises:
        StorageError: there is none, or it cannot be read.
    """
    from brakewater.errors import StorageError  # noqa: PLC0415
    from brakewater.review.loop_sheet import sheet_of  # noqa: PLC0415
    from brakewater.review.proofs import last_sheet  # noqa: PLC0415

    damage: list[str] = []
    held = last_sheet(folder, point, damage)
    if held is None:
        lost = "".join(f"; damaged: {says}" for says in damage)
        raise StorageError(f"{folder}: found no sheet of {point}{lost}")
    try:
        return sheet_of(held), damage
    except (KeyError, TypeError, ValueError) as error:
        raise StorageError(f"{folder}: the newest sheet of {point} cannot be read: {error!r}") from error
