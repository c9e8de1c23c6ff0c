#!/usr/bin/env bash
# Sets up and passes the tests.
#   bash tests/run.sh          lint, types, floors, and all fast tests
#   bash tests/run.sh long     the long ones: kills, soak, fuzz, incident tables
#   bash tests/run.sh outside  published values and reference libraries, and every table held against the plant
#   bash tests/run.sh bench    the benchmarks: ratios against their floors
# Further arguments go to pytest (or to the benchmarks), for example: bash tests/run.sh -k poller
set -euo pipefail
cd "$(dirname "$0")/.."
. deploy/packages.sh
# openssl: certificates. gcc, libmodbus-dev: a Modbus device that we did not write; mosquitto, mbpoll, victoria-metrics, sqlite3, nodejs: foreign peers; chromium: the pages.
# systemd: its judgement of the unit.
debian_packages python3 python3-venv systemd gcc libc6-dev pkg-config libmodbus-dev mosquitto mosquitto-clients mbpoll socat \
  victoria-metrics sqlite3 openssl nodejs chromium
# Debian's nodejs comes without npm, other builds of it bring theirs. The Node.js peers go into build/ by their lock file.
command -v npm >/dev/null || debian_packages npm
virtual_environment dev.lock
.venv/bin/python deploy/charts.py || true # it says what is missing without it
python=.venv/bin/python
what=fast
case "${1:-}" in fast | long | bench | outside) what=$1 && shift ;; esac
case "$what" in
  fast)
    .venv/bin/ruff check
    .venv/bin/ruff format --check
    .venv/bin/mypy
    .venv/bin/lint-imports
    if [ $# -gt 0 ]; then exec $python -m pytest -m "not long" "$@"; fi
    # Two files at a time; a file's tests stay together, since they share what they start.
    $python -m pytest -m "not long" -n auto --dist loadfile
    ;;
  long) $python -m pytest -m long --timeout 7200 "$@" ;;
  outside)
    [ $# -gt 0 ] || $python -m pytest tests/outside -m "not long"
    cd tests && PYTHONPATH=.:../simulator ../$python -m outside "$@"
    ;;
  bench) cd tests && ../$python -m benchmarks "$@" ;;
esac
