#!/usr/bin/env bash
# Copies rig file and record into a folder, while the watch is at work; again into the same folder copies only what is new.
#   brakewater-backup TO [--record DIR] [--etc DIR] [--with-credentials]
# Secrets stay behind unless asked for. Restore: deploy/runbook.md.
# Exit status: 0 whole, 1 something is damaged (it is copied as it was found) or could not be copied: each is named.
set -euo pipefail
record=/var/lib/brakewater etc=/etc/brakewater to='' secrets=''
while [ $# -gt 0 ]; do
  case "$1" in
    --record) record=$2 && shift ;;
    --etc) etc=$2 && shift ;;
    --with-credentials) secrets=yes ;;
    -*) echo "backup: found $1; allowed: --record, --etc, --with-credentials" >&2 && exit 2 ;;
    *) to=$1 ;;
  esac
  shift
done
[ -n "$to" ] || { echo "usage: brakewater-backup TO [--record DIR] [--etc DIR] [--with-credentials]" >&2; exit 2; }
python=${BRAKEWATER_PYTHON:-/opt/brakewater/current/bin/python}
umask 077
mkdir -p "$to/etc" "$to/record"
for file in "$etc"/rig.toml "$etc"/*.pem; do [ ! -f "$file" ] || cp -p "$file" "$to/etc/"; done
if [ -n "$secrets" ]; then # the broker's passwords and certificates too: else nobody is known to a new box
  for one in "$etc/credentials" "$etc/broker-passwords" "$etc"/*.key; do [ ! -e "$one" ] || cp -Rp "$one" "$to/etc/"; done
  broker=$(dirname "$etc")/mosquitto/brakewater
  [ ! -d "$broker" ] || { mkdir -p "$to/broker" && cp -Rp "$broker/." "$to/broker/"; }
fi
exec "$python" - "$record" "$to/record" <<'P'
"""Sealed segments never change: copied once. Hot ones are copied by SQLite, which knows what is whole."""

import filecmp
import os
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

record, to = Path(sys.argv[1]), Path(sys.argv[2])
beside = to.parent / "damaged"
damaged, failed = [], []


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


(to / "hot").mkdir(exist_ok=True)
for file in [*sorted((record / "hot").glob("*.sqlite3")), *record.glob("*.sqlite3")]:
    try:
        copy_base(file)
    except OSError as error:
        say(file, error, failed, "; not copied")
for file in sorted(record.rglob("*")):
    target = to / file.relative_to(record)
    if not file.is_file() or ".sqlite3" in file.name or file.suffix == ".lock" or file.name.endswith(".part"):
        continue
    try:
        told = file.stat()
        if target.exists() and (target.stat().st_size, target.stat().st_mtime_ns) == (told.st_size, told.st_mtime_ns):
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        made = target.with_name(target.name + ".part")
        shutil.copy2(file, made)
        placed(made, target)
    except FileNotFoundError:
        continue  # trimmed meanwhile
    except OSError as error:
        made.unlink(missing_ok=True)
        say(file, error, failed, "; not copied")
for file in (to / "hot").glob("*.sqlite3"):  # what has been sealed since the last backup lies in segments/ now
    if not (record / "hot" / file.name).exists() and next(to.glob(f"segments/*/*/*/{file.stem}"), None):
        file.unlink()
size = sum(file.stat().st_size for file in to.rglob("*") if file.is_file())
lacks = [f"{len(found)} {what}" for found, what in ((damaged, "damaged"), (failed, "not copied")) if found]
whole = f", NOT WHOLE ({', '.join(lacks)}, named above)" if lacks else ""
print(f"backup: {record} is in {to}{whole}: {size} bytes")
sys.exit(1 if lacks else 0)
P
