"""The list of what a case file holds: ``case.json``, signed in ``case.sig`` where whoever packs has a key.

The chain shows what is missing between runs; the list shows what was cut off at the ends, or added. What is signed is
one line of text, which ordinary tools can check:

    brakewater case file, SHA-256 of case.json <hash in hex>
"""

import hashlib
import json
import zipfile
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from brakewater.record.case_places import README, case_paths
from brakewater.record.report import Report
from brakewater.record.sealed.layout import FILES, MANIFEST
from brakewater.record.signing import Signer, is_by
from brakewater.record.trimmed import Gone

LIST: Final = "case.json"
SIGNATURE: Final = "case.sig"
_SCHEMA: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A run that belongs to the window and could not be packed."""

    run: int
    why: str

    def __str__(self) -> str:
        return f"run {self.run}: {self.why}"


def list_text(manifests: Mapping[int, bytes], left_out: Sequence[LeftOut], gone: Gone, readme: bytes) -> bytes:
    """Content of the list.

    Args:
        manifests: run -> its manifest, as it stands in the case file.
        left_out: what is not in it.
        gone: what retention had deleted between its runs.
        readme: the file that explains it.
    """
    doc: dict[str, Any] = {
        "schema": _SCHEMA,
        "runs": [{"run": run, "manifest_sha256": _sha256(text)} for run, text in manifests.items()],
        "left_out": [{"run": one.run, "why": one.why} for one in left_out],
        "readme_sha256": _sha256(readme),
    }
    if gone:
        doc["trimmed"] = [{"run": run, "prev_hash": start, "hash": end} for start, (run, end) in gone.items()]
    return json.dumps(doc, indent=1, ensure_ascii=False).encode() + b"\n"


def signature_text(signer: Signer, listed: bytes) -> bytes:
    """Content of the signature's file."""
    return json.dumps({"key": signer.key, "signature": signer.over(_statement(listed))}, indent=1).encode() + b"\n"


def left_out_of(case: Path) -> tuple[LeftOut, ...]:
    """What a case file says it leaves out; nothing where it has no list that can be read."""
    try:
        with zipfile.ZipFile(case) as archive:
            return tuple(LeftOut(run=int(one["run"]), why=str(one["why"])) for one in _document(archive)["left_out"])
    except (KeyError, ValueError, TypeError, OSError, zipfile.BadZipFile):
        return ()


def trimmed_of(case: Path) -> Gone:
    """What a case file says that retention had deleted; nothing where it has no list that can be read."""
    try:
        with zipfile.ZipFile(case) as archive:
            told = _document(archive).get("trimmed", [])
            return {str(one["prev_hash"]): (int(one["run"]), str(one["hash"])) for one in told}
    except (KeyError, ValueError, TypeError, AttributeError, OSError, zipfile.BadZipFile):
        return {}


def check_list(case: Path, report: Report) -> None:
    """Hold a case file against its list, and the list against its signature; one of before there were lists has none.

    Args:
        case: a case file that can be opened.
        report: gets what does not fit, and who signed.
    """
    try:
        with zipfile.ZipFile(case) as archive:
            names = set(archive.namelist())
            for name in sorted(_strangers(case, names)):
                report.blame(
                    str(case), name, f"nothing vouches for it: added, or left of a segment without its {MANIFEST}"
                )
            if LIST in names:
                _check(case, archive, report)
                report.listed = True
            elif SIGNATURE in names:
                report.blame(str(case), LIST, f"is missing; {SIGNATURE} is there")
            if SIGNATURE in names and LIST in names:
                _check_signature(case, archive, report)
    except (ValueError, KeyError, TypeError, AttributeError, zipfile.BadZipFile) as error:
        report.blame(str(case), LIST, f"cannot be read: {error}")


def _strangers(case: Path, names: Collection[str]) -> set[str]:
    """Entries that are no part of a case file: no chain shows them, and other tools read them with the rest."""
    runs = {f"{folder.at}{name}" for folder in case_paths(case).values() for name in (MANIFEST, *FILES)}
    return {name for name in names if not name.endswith("/")} - runs - {README, LIST, SIGNATURE}


def _check(case: Path, archive: zipfile.ZipFile, report: Report) -> None:
    doc = _document(archive)
    there = case_paths(case)
    wanted = {int(one["run"]): one["manifest_sha256"] for one in doc["runs"]}
    for run, digest in wanted.items():
        if run not in there:
            report.blame(str(case), f"run {run}", f"is missing, though {LIST} names it")
        elif _sha256((there[run] / MANIFEST).read_bytes()) != digest:
            report.blame(str(case), f"run {run}", f"its {MANIFEST} is not the one that was packed")
    for run in there.keys() - wanted.keys():
        report.blame(str(case), f"run {run}", f"was added: {LIST} does not name it")
    if README in archive.namelist() and _sha256(archive.read(README)) != doc["readme_sha256"]:
        report.blame(str(case), README, "is not the one that was packed")
    report.left_out = [(int(one["run"]), str(one["why"])) for one in doc["left_out"]]


def _check_signature(case: Path, archive: zipfile.ZipFile, report: Report) -> None:
    doc = json.loads(archive.read(SIGNATURE))
    key, signature = str(doc["key"]), str(doc["signature"])
    if is_by(key, signature, _statement(archive.read(LIST))):
        report.listed_by = key
    else:
        report.blame(str(case), SIGNATURE, f"does not fit {LIST}: one of them was changed")


def _document(archive: zipfile.ZipFile) -> dict[str, Any]:
    doc: dict[str, Any] = json.loads(archive.read(LIST))
    if doc["schema"] != _SCHEMA:
        raise ValueError(f"found schema {doc['schema']}; allowed: {_SCHEMA}")
    return doc


def _statement(listed: bytes) -> bytes:
    return f"brakewater case file, SHA-256 of {LIST} {_sha256(listed)}\n".encode()


def _sha256(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()
