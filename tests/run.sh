#!/usr/bin/env bash
# Sets up and passes the tests.
#   bash tests/run.sh          lint, types, floors, and all fast tests
#   bash tests/run.sh long     the long ones: kills, soak, fuzz, incident tables
#   bash tests/run.sh bench    the benchmarks: ratios against their floors
set -euo pipefail
cd "$(dirname "$0")/.."
. deploy/packages.sh
# gcc, libmodbus-dev: a Modbus device that we did not write; mosquitto, mbpoll, victoria-metrics, sqlite3: foreign peers.
debian_packages python3 python3-venv gcc libc6-dev pkg-config libmodbus-dev mosquitto mosquitto-clients mbpoll socat \
  victoria-metrics sqlite3
virtual_environment dev.lock
python=.venv/bin/python
case "${1:-fast}" in
  fast)
    .venv/bin/ruff check
    .venv/bin/ruff format --check
    .venv/bin/mypy
    .venv/bin/lint-imports
    $python -m pytest -m "not long" "${@:2}"
    ;;
  long) $python -m pytest -m long --timeout 7200 "${@:2}" ;;
  bench) cd tests && ../$python -m benchmarks "${@:2}" ;;
  *)
    echo "found $1; allowed: fast, long, bench" >&2
    exit 2
    ;;
esac
