"""What a case file says of itself to whoever opens it, in ``README.txt``."""

from collections.abc import Sequence
from typing import Final

from brakewater.record.case_list import LeftOut
from brakewater.record.sealed.manifest import Manifest
from brakewater.units import counted, utc_text

_EXPLAINS: Final = """\
Case file of rig {rig}
======================

{what}
It holds the whole record of {count} of the watch that touch that time:

{runs}{left_out}
Times are UTC. Nothing here is compressed by the zip; any zip tool opens it.

segments/<year>/<month>/<day>/<run>/
  manifest.json    what the segment is: rig, time, counts, columns, its place in the chain, SHA-256 of each file
  rig.toml         the rig file in force: every point, its range, every alarm and its limits
  start.json       what was known when the run began
  scans.parquet    one row a scan: raw register words as read, poll status, age. Any Parquet reader opens it (pandas,
                   polars, DuckDB, many others). Unit, role, device and address of each column stand in its metadata.
                   Raw counts become values by the signal of each point in rig.toml.
  events.jsonl     one line an alarm transition, in SI units, with its place in the chain
  commands.jsonl   one line a command (acknowledgements, notes, substitutions) or gap
  chain.parquet    where each commit of the record ended, some hashes, and signatures where there was a key

case.json          every run above with the SHA-256 of its manifest.json, and what was left out
case.sig           where whoever packed it had a key: a signature over case.json

How to see that nothing was changed
-----------------------------------
Each commit is hashed with SHA-256 over its rows, its events and the hash of the commit before it. With brakewater:

  brakewater verify THIS.case.zip                      the rows fit the chain
  brakewater verify THIS.case.zip --key PUBLIC.pem     and it was signed by that key
  brakewater verify THIS.case.zip --anchor HEADS       and it is what was shown outside at the time

Without it: sha256sum of each file is in manifest.json; the signed line is
"brakewater chain head, run R, commit C, HASH" and a line feed, Ed25519 (RFC 8032); that of case.sig is
"brakewater case file, SHA-256 of case.json HASH" and a line feed.

What can be done with it
------------------------
  brakewater replay THIS.case.zip                      every alarm, in order
  brakewater export THIS.case.zip -o rows.csv          values with units
"""


def readme_text(
    manifests: Sequence[Manifest],
    left_out: Sequence[LeftOut],
    deleted: Sequence[int],
    from_utc_ns: int | None,
    to_utc_ns: int | None,
) -> bytes:
    """The file's content.

    Args:
        manifests: of the runs that are in it.
        left_out: what could not be packed.
        deleted: runs between them that retention had deleted.
        from_utc_ns: begin of the window that was asked for.
        to_utc_ns: its end.
    """
    runs = "".join(
        f"  run {one.run}: {utc_text(one.from_utc_ns)} to {utc_text(one.to_utc_ns)}, {counted(one.scans, 'scan')},"
        f" {counted(one.events, 'event')}, recorded by version {one.version}\n"
        for one in manifests
    )
    rig = ", ".join(sorted({one.rig for one in manifests if one.rig})) or "unknown"
    missing = "".join(f"  {one}\n" for one in left_out)
    says = f"\nNOT in it, though it may belong to that time, for it could not be read:\n\n{missing}" if missing else ""
    if deleted:
        runs_gone = ", ".join(map(str, deleted))
        says += f"\nDeleted by the record's own retention before it was packed: run {runs_gone}\n"
    return _EXPLAINS.format(
        rig=rig, what=_window(from_utc_ns, to_utc_ns), count=counted(len(manifests), "run"), runs=runs, left_out=says
    ).encode()


def _window(from_utc_ns: int | None, to_utc_ns: int | None) -> str:
    since = utc_text(from_utc_ns) if from_utc_ns is not None else "the beginning of the record"
    until = utc_text(to_utc_ns) if to_utc_ns is not None else "its end at the time of packing"
    return f"Packed for the time from {since} to {until}."
