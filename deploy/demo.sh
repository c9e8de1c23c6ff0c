#!/usr/bin/env bash
# Sets up and runs the main job: simulator, broker, watch and record on this machine, with a scripted incident.
# Arguments go to `brakewater demo`, for example: bash deploy/demo.sh --seconds 60
set -euo pipefail
cd "$(dirname "$0")/.."
. deploy/packages.sh
debian_packages python3 python3-venv
virtual_environment runtime.lock
.venv/bin/python deploy/charts.py || true # it says what is missing without it
exec .venv/bin/brakewater demo "$@"
