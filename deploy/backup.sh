#!/usr/bin/env bash
# Copies rig file and record into a folder while the watch is at work; again into the same folder, only what is new.
#   brakewater-backup TO [--record DIR] [--etc DIR] [--with-credentials]
# Secrets (passwords, tokens, PINs, private keys, the signing key) stay behind unless asked for; it says which are in
# the copy. Restore: deploy/runbook.md.
# Exit status: 0 whole; 1 something is damaged (it is copied as it was found) or could not be copied: each is named;
# 2 bad arguments, no record there, or another record in TO: nothing was copied.
set -euo pipefail
record=/var/lib/brakewater etc=/etc/brakewater to='' secrets=''
usage='usage: brakewater-backup TO [--record DIR] [--etc DIR] [--with-credentials]'
stop() { echo "backup: $1" >&2; exit 2; }
while [ $# -gt 0 ]; do
  case "$1" in --record | --etc) [ -n "${2:-}" ] || stop "$1 needs a folder" ;; esac
  case "$1" in
    --record) record=$2 && shift ;;
    --etc) etc=$2 && shift ;;
    --with-credentials) secrets=yes ;;
    -h | --help) sed -n '2,/^set /{/^set /!s/^# \{0,1\}//p}' "$0" && exit 0 ;;
    -*) stop "found $1; allowed: --record, --etc, --with-credentials" ;;
    *) [ -z "$to" ] || stop "found a second folder: $1"
       to=$1 ;;
  esac
  shift
done
[ -n "$to" ] || stop "$usage"
python=${BRAKEWATER_PYTHON:-/opt/brakewater/current/bin/python}
[ -x "$python" ] || python=python3 # nothing of the program is needed: a box whose program is broken can still be copied
umask 077
exec "$python" - "$record" "$to" "$etc" "$secrets" <<'P'
"""Sealed segments never change: copied once. Hot ones are copied by SQLite, which knows what is whole."""

import contextlib
import fcntl
import filecmp
import json
import os
import shutil
import sqlite3
import sys
import tomllib
from contextlib import closing
from pathlib import Path

record, top, etc, with_secrets = Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), bool(sys.argv[4])
to, beside, broker = top / "record", top / "damaged", etc.parent / "mosquitto/brakewater"
damaged, failed = [], []
COARSE_NS = 2_000_000_000
"""To so much FAT keeps a file's time."""


def refuse(why: str) -> None:
    print(f"backup: {why}; nothing was copied", file=sys.stderr)
    sys.exit(2)


def begun(record: Path, more: str = "") -> dict[int, tuple[int, int]]:
    """Run -> steady and wall time of its Start, of what can be read."""
    found = {}
    for file in record.glob("hot/*.sqlite3"):
        try:
            with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro{more}", uri=True)) as base:
                row = base.execute("SELECT t_ns, utc_ns FROM inputs WHERE input = 0").fetchone()
                found[int(file.stem)] = row
        except (sqlite3.Error, OSError, ValueError):
            continue
    for file in record.glob("segments/*/*/*/*/manifest.json"):
        try:
            said = json.loads(file.read_text())["start"]
            found[int(file.parent.name)] = int(said["t_ns"]), int(said["utc_ns"])
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return {run: times for run, times in found.items() if times}


def named(etc: Path) -> list[str]:
    """What the rig file names in folders beside it, such as certificates."""
    try:
        rig = tomllib.loads((etc / "rig.toml").read_text())
        tables = [rig.get("mqtt", {}), rig.get("panel", {}), *rig.get("mirror", {}).values(), *rig.get("device", [])]
        found = [one[key] for one in tables for key in ("ca", "certificate", "key") if key in one]
    except (OSError, ValueError, AttributeError, TypeError):
        return []
    return [one for one in found if not Path(one).is_absolute() and ".." not in Path(one).parts]


def is_secret(file: Path) -> bool:
    """Whether it is for root alone."""
    if file.parent.name == "credentials" or file.name == "broker-passwords":
        return True
    try:
        return b"PRIVATE KEY" in file.read_bytes()
    except PermissionError:
        return not file.stat().st_mode & 0o077  # nobody but its owner may look, and it is not ours


def copy_settings(folder: Path, there: Path, *more: str) -> None:
    """Files there, with owner and rights where the disk keeps them; an older copy stays until a new one is whole.

    Args:
        folder: where.
        there: to where.
        more: what lies deeper.
    """
    for file in sorted(one for one in {*folder.glob("*"), *map(folder.joinpath, more)} if one.is_file()):
        target = there / file.relative_to(folder)
        made = target.with_name(target.name + ".part")
        try:
            if not with_secrets and is_secret(file):
                continue
            told = file.stat()
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(file, made)
            try:
                os.chown(made, told.st_uid, told.st_gid)
                made.chmod(told.st_mode & 0o7777)
            except PermissionError:
                pass  # a disk without owners, or nobody of root's
            placed(made, target)
        except OSError as error:
            with contextlib.suppress(OSError):
                made.unlink(missing_ok=True)
            say(file, error, failed, "; not copied")


def tell_secrets() -> None:
    """Which are in the copy, also from a time before."""
    files = [one for folder in ("etc", "broker") for one in sorted((top / folder).rglob("*")) if one.is_file()]
    within = [one for one in files if is_secret(one)]
    if not within:
        print("backup: no secret is in it (--with-credentials takes them along)")
        return
    print(f"backup: SECRETS are in it, guard it like the PC: {', '.join(str(one.relative_to(top)) for one in within)}")
    seen = [one for one in within if one.stat().st_mode & 0o007 and one.parent.stat().st_mode & 0o001]
    if seen:
        print(f"backup: and every user of this PC may read {seen[0]}: that disk keeps no rights")


def placed(made: Path, target: Path) -> None:
    handle = os.open(made, os.O_RDONLY)
    os.fsync(handle)
    os.close(handle)
    made.replace(target)


def wholly_copied(file: Path, made: Path) -> None:
    made.unlink(missing_ok=True)  # of a backup that was cut off
    with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as source:
        with closing(sqlite3.connect(made)) as copy:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")


def copied_as_found(file: Path, target: Path) -> Path:
    """The bytes as they are, with what SQLite keeps beside them; says where. An older copy is not given up for them."""
    if target.exists() and not filecmp.cmp(file, target, shallow=False):
        target = beside / file.relative_to(record)
    target.parent.mkdir(parents=True, exist_ok=True)
    for end in ("", "-wal", "-journal"):
        source, made = file.with_name(file.name + end), target.with_name(f"{target.name}{end}.part")
        if source.exists():
            shutil.copy2(source, made)
            placed(made, target.with_name(target.name + end))
    return target


def say(file: Path, error: object, found: list[Path], more: str = "") -> None:
    found.append(file)
    print(f"backup: {file}: {error}{more}", file=sys.stderr)


def of_the_file(error: Exception) -> bool:
    """Whether it is damage, and not a lock, a full disk or a right that is missing."""
    return getattr(error, "sqlite_errorname", "").startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB"))


def copy_base(file: Path) -> None:
    target = to / file.relative_to(record)
    made = target.with_name(target.name + ".part")
    try:
        wholly_copied(file, made)
        for end in ("-wal", "-journal"):  # of a copy as it was found, which this one takes the place of
            target.with_name(target.name + end).unlink(missing_ok=True)
        placed(made, target)
    except (sqlite3.Error, OSError) as error:
        if not file.exists():
            return  # it has been sealed meanwhile, and comes below
        if of_the_file(error):
            where = copied_as_found(file, target)
            older = "; the older copy of it was kept" if where != target else ""
            say(file, f"DAMAGED: {error}", damaged, f"; its bytes are as they were found in {where}{older}")
        else:
            say(file, error, failed, "; not copied")
    finally:
        for end in ("", "-journal", "-wal", "-shm"):
            made.with_name(made.name + end).unlink(missing_ok=True)


if record.is_dir() and not os.access(record, os.R_OK | os.X_OK):
    refuse(f"{record}: this user may not read it")
if not any((*record.glob("hot/*.sqlite3"), *record.glob("segments/*/*/*/*/manifest.json"))):
    refuse(f"{record}: no record is there")
if top.resolve().is_relative_to(record.resolve()):
    refuse(f"{top}: the copy cannot lie within the record {record}")
here, there = begun(record), begun(to, "&immutable=1")
for run in sorted(here.keys() & there.keys()):
    if here[run] != there[run]:
        refuse(f"{to}: its run {run} is not that of {record}, which began anew or is another one: name a new folder")
try:
    (to / "hot").mkdir(parents=True, exist_ok=True)
    lock = (top / ".lock").open("w")
    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
except BlockingIOError:
    refuse(f"{top}: another backup into it is at work")
except OSError as error:
    refuse(f"{top}: {error}")
copy_settings(etc, top / "etc", *named(etc), *(f"credentials/{one.name}" for one in etc.glob("credentials/*")))
if not (top / "etc/rig.toml").exists():
    print(f"backup: {etc}/rig.toml: no such file; the record is copied without (each run holds its own)", file=sys.stderr)
if with_secrets and broker.is_dir():
    copy_settings(broker, top / "broker")  # the broker's certificates too: else nobody knows a new box
# Cursors first: one that is ahead of the runs beside it would pass over what the broker and the mirrors have not had.
for file in [*record.glob("*.sqlite3"), *sorted((record / "hot").glob("*.sqlite3"))]:
    try:
        copy_base(file)
    except OSError as error:
        say(file, error, failed, "; not copied")
for file in sorted(record.rglob("*")):
    target = to / file.relative_to(record)
    if not file.is_file() or ".sqlite3" in file.name or file.suffix == ".lock" or file.name.endswith(".part"):
        continue
    made = target.with_name(target.name + ".part")
    try:
        told = file.stat()
        if target.exists() and target.stat().st_size == told.st_size:
            apart = abs(target.stat().st_mtime_ns - told.st_mtime_ns)
            if apart == 0 or (apart <= COARSE_NS and "segments" in file.relative_to(record).parts):
                continue
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(file, made)
        placed(made, target)
    except FileNotFoundError:
        continue  # trimmed meanwhile
    except OSError as error:
        with contextlib.suppress(OSError):
            made.unlink(missing_ok=True)
        say(file, error, failed, "; not copied")
for file in (to / "hot").glob("*.sqlite3"):  # what has been sealed since the last backup lies in segments/ now
    sealed = [one for one in record.glob(f"segments/*/*/*/{file.stem}/*") if one.is_file()]
    copies = [to / one.relative_to(record) for one in sealed]
    if sealed and not (record / "hot" / file.name).exists():
        if all(copy.exists() and copy.stat().st_size == one.stat().st_size for one, copy in zip(sealed, copies)):
            file.unlink()
size = sum(file.stat().st_size for file in to.rglob("*") if file.is_file())
lacks = [f"{len(found)} {what}" for found, what in ((damaged, "damaged"), (failed, "not copied")) if found]
whole = f", NOT WHOLE ({', '.join(lacks)}, named above)" if lacks else ""
print(f"backup: {record} is in {to}{whole}: {size} bytes")
if to.stat().st_dev == record.stat().st_dev:
    print(f"backup: {top} IS ON THE RECORD'S OWN DISK, and lost with it: is the backup's disk mounted?")
tell_secrets()
sys.exit(1 if lacks else 0)
P
