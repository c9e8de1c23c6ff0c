#!/usr/bin/env bash
# Copies rig file and record into a folder, while the watch is at work; again into the same folder copies only what is new.
#   brakewater-backup TO [--record DIR] [--etc DIR] [--with-credentials]
# Secrets stay behind unless asked for. Restore: deploy/runbook.md. Exit status: 0 whole, 1 something could not be copied.
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

import os
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

record, to = Path(sys.argv[1]), Path(sys.argv[2])
failed = 0


def placed(made: Path, target: Path) -> None:
    handle = os.open(made, os.O_RDONLY)
    os.fsync(handle)
    os.close(handle)
    made.replace(target)


(to / "hot").mkdir(exist_ok=True)
hot = sorted((record / "hot").glob("*.sqlite3"))
for file in [*hot, *record.glob("*.sqlite3")]:
    target = to / file.relative_to(record)
    made = target.with_name(target.name + ".part")
    try:
        with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)) as source:
            with closing(sqlite3.connect(made)) as copy:
                source.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
        placed(made, target)
    except (sqlite3.Error, OSError) as error:
        if file.exists():  # else it has been sealed meanwhile, and comes below
            failed = 1
            print(f"backup: {file}: {error}", file=sys.stderr)
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
        failed = 1
        print(f"backup: {file}: {error}", file=sys.stderr)
for file in (to / "hot").glob("*.sqlite3"):  # what has been sealed since the last backup lies in segments/ now
    if not (record / "hot" / file.name).exists() and next(to.glob(f"segments/*/*/*/{file.stem}"), None):
        file.unlink()
print(f"backup: {record} is in {to}: {sum(file.stat().st_size for file in to.rglob('*') if file.is_file())} bytes")
sys.exit(failed)
P
