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
# The tests start our programs several hundred times: compiled once, not each time.
unset PYTHONDONTWRITEBYTECODE
python=.venv/bin/python
what=fast
case "${1:-}" in fast | long | bench | outside) what=$1 && shift ;; esac

checks() {
  .venv/bin/ruff check
  .venv/bin/ruff format --check
  # Two processes' work at a time: what the tests import is compiled beside the types. What is wrong with it, the tests say.
  $python -m pytest --collect-only -q -m "not long" >/dev/null 2>&1 &
  .venv/bin/mypy
  .venv/bin/lint-imports
  wait $! || true
}

python_side() {
  virtual_environment dev.lock
  $python deploy/charts.py || true # it says what is missing without it
  [ "$what" != fast ] || checks
}

# Python's packages, and what is found without running anything, while Debian's come.
debian_packages python3 python3-venv
python_side &
beside=$!
trap 'kill $beside 2>/dev/null || true' EXIT
# openssl: certificates. gcc, libmodbus-dev: a Modbus device that we did not write; mosquitto, mbpoll, victoria-metrics, sqlite3, nodejs: foreign peers; chromium: the pages.
# systemd: its judgement of the unit.
debian_packages systemd gcc libc6-dev pkg-config libmodbus-dev mosquitto mosquitto-clients mbpoll socat \
  victoria-metrics sqlite3 openssl nodejs chromium
# Debian's nodejs comes without npm, other builds of it bring theirs. The Node.js peers go into build/ by their lock file.
command -v npm >/dev/null || debian_packages npm
wait $beside
trap - EXIT

case "$what" in
  fast)
    if [ $# -gt 0 ]; then exec $python -m pytest -m "not long" "$@"; fi
    # The demo plays its minutes in real time and hardly computes: it goes beside the others, and is told after them.
    demo=tests/integration/test_daemon_demo.py failed='' told=$(mktemp)
    $python -m pytest -m "not long" -p no:cacheprovider $demo >"$told" 2>&1 &
    # A file more at a time than there are processors, since most tests wait for what they started; in the order of
    # tests/conftest.py. A file's tests stay together, since they share what they start.
    $python -m pytest -m "not long" --ignore=$demo -n $(($(nproc) + 1)) --dist loadfile --no-loadscope-reorder --durations=30 || failed=yes
    wait $! || failed=yes
    cat "$told" && rm "$told"
    [ -z "$failed" ] || exit 1
    ;;
  long) $python -m pytest -m long --timeout 7200 "$@" ;;
  outside)
    [ $# -gt 0 ] || $python -m pytest tests/outside -m "not long"
    cd tests && PYTHONPATH=.:../simulator ../$python -m outside "$@"
    ;;
  bench) cd tests && ../$python -m benchmarks "$@" ;;
esac
