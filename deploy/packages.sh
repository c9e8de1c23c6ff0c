# Sourced by demo.sh and tests/run.sh: brings Debian packages and the virtual environment.
# Usage: debian_packages PACKAGE...; virtual_environment LOCK

debian_packages() {
  local missing=() package
  for package in "$@"; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q '^install ok installed$' || missing+=("$package")
  done
  if [ ${#missing[@]} -eq 0 ]; then return 0; fi
  if [ "$(id -u)" -ne 0 ]; then
    echo "These Debian packages are needed and not installed: ${missing[*]}" >&2
    echo "Install them, then run this again: sudo apt-get install ${missing[*]}" >&2
    exit 3
  fi
  echo "installing Debian packages: ${missing[*]}" >&2
  export DEBIAN_FRONTEND=noninteractive
  # The services themselves are started by the tests, on ports of their own; none is wanted at boot.
  if [ -z "${lists_are_new:-}" ]; then apt-get update -q >/dev/null && lists_are_new=yes; fi
  apt-get install -y -q --no-install-recommends "${missing[@]}" >/dev/null
}

# Not one that was cut off while it was made, of a checkout that lay elsewhere, or of a Python that is gone.
usable() { .venv/bin/python -c 'import pip' && grep -qF "$(pwd -P)/.venv/bin/python" .venv/bin/pip; } 2>/dev/null

virtual_environment() {
  local lock="$1" stamp
  usable || python3 -m venv --clear .venv
  stamp=".venv/.installed-$(cat "$lock" pyproject.toml | sha256sum | cut -c1-16)"
  if [ ! -e "$stamp" ]; then
    echo "installing Python packages from $lock into .venv" >&2
    # pip compiles one file after another, compileall on all cores; a file of another Python's syntax is left as it is.
    .venv/bin/python -m pip install -q --disable-pip-version-check --no-compile --require-hashes -r "$lock"
    .venv/bin/python -m pip install -q --disable-pip-version-check --no-compile --no-deps --no-build-isolation -e .
    .venv/bin/python -m compileall -q -j 0 .venv/lib >/dev/null || true
    rm -f .venv/.installed-*
    touch "$stamp"
  fi
}
