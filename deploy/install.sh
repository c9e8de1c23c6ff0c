#!/usr/bin/env bash
# Installs the watch on a rig PC (Debian 12 or later), or a newer version over an older one; see deploy/runbook.md.
#   bash deploy/install.sh RIG.toml [--broker] [--root DIR] [--wheel FILE] [--wheels DIR]
#                          [--program DIR] [--python PROGRAM]
#
#   RIG.toml       becomes /etc/brakewater/rig.toml; checked first. Left out: the one that is there already
#   --broker       also settings, certificates, passwords and access list of a mosquitto broker on this PC
#   --root DIR     installs into a tree below DIR and starts nothing: for images, and to look at what would be done
#   --wheel FILE   this wheel instead of one built from the checkout
#   --wheels DIR   Python packages from this folder, for a PC without internet (pip download -r runtime.lock -d DIR)
#   --program DIR  a virtual environment that has the program already, instead of making one
#   --python P     interpreter, 3.11 or later; default /usr/bin/python3
#
# Exit status: 0 installed, 2 bad arguments or a bad rig file, 3 something is missing. Run again after an error.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root='' rig='' broker='' wheel='' wheels='' ready='' python=/usr/bin/python3

say() { echo "install: $*" >&2; }
stop() { say "$2"; exit "$1"; }

while [ $# -gt 0 ]; do
  case "$1" in --root | --wheel | --wheels | --program | --python) [ $# -ge 2 ] || stop 2 "$1 needs a value" ;; esac
  case "$1" in
    --root) root=$(realpath -m "$2") && shift ;;
    --wheel) wheel=$(realpath "$2") && shift ;;
    --wheels) wheels=$(realpath "$2") && shift ;;
    --program) ready=$(realpath "$2") && shift ;;
    --python) python=$2 && shift ;;
    --broker) broker=yes ;;
    -h | --help) sed -n '2,/^set /{/^set /!s/^# \{0,1\}//p}' "$0" && exit 0 ;;
    -*) stop 2 "found $1; allowed: --broker, --root, --wheel, --wheels, --program, --python" ;;
    *) [ -z "$rig" ] || stop 2 "found a second rig file: $1"
       rig=$1 ;;
  esac
  shift
done

[ "$(id -u)" -eq 0 ] || stop 3 "must run as root: it makes a user and writes into /etc and /opt"
[ -z "$rig" ] || [ -r "$rig" ] || stop 2 "$rig: cannot be read"
[ -n "$rig" ] || [ -e "$root/etc/brakewater/rig.toml" ] || stop 2 "give a rig file: bash deploy/install.sh RIG.toml"
"$python" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null ||
  stop 3 "$python: needs Python 3.11 or later with venv: apt-get install python3 python3-venv"
for needed in systemd-sysusers ${broker:+openssl mosquitto_passwd}; do
  command -v "$needed" >/dev/null || stop 3 "$needed is missing: apt-get install systemd openssl mosquitto"
done

program() { # a folder of its own for each build, so that going back is one link
  local mark venv
  if [ -n "$ready" ]; then
    fresh=$ready
    return
  fi
  [ -n "$wheel" ] || "$python" "$here/charts.py" || true # it says what is missing without it; it is part of the mark
  mark=$(cat "$here/../runtime.lock" "$here/../pyproject.toml" ${wheel:+"$wheel"} | sha256sum | cut -c1-8)
  [ -n "$wheel" ] || mark=$mark-$(cd "$here/.." && find daemon simulator config -type f ! -name '*.pyc' -print0 |
    sort -z | xargs -0 sha256sum | sha256sum | cut -c1-8)
  venv="$root/opt/brakewater/$mark"
  if [ ! -e "$venv/.whole" ] || ! "$venv/bin/python" -m brakewater --version >/dev/null 2>&1; then
    say "the program goes into $venv"
    rm -rf "$venv"
    mkdir -p "$root/opt/brakewater"
    "$python" -m venv "$venv"
    local pip=("$venv/bin/python" -m pip install -q --disable-pip-version-check --no-compile)
    "${pip[@]}" ${wheels:+--no-index --find-links "$wheels"} --require-hashes -r "$here/../runtime.lock" ||
      stop 3 "the packages of runtime.lock could not be had (see above)${wheels:+; fetch all of them for this processor and\
 $("$python" -V): pip download -r runtime.lock -d DIR}; nothing was changed, and what ran before runs on"
    if [ -n "$wheel" ]; then
      "${pip[@]}" --no-index --no-deps "$wheel"
    else
      "${pip[@]}" --no-deps --no-build-isolation "$here/.."
    fi
    "$venv/bin/python" -m compileall -q -s "$root" "$venv/lib" || true
    echo "$("$venv/bin/python" -m brakewater --version), installed $(date -u +%Y-%m-%dT%H:%MZ)" >"$venv/.whole"
  fi
  fresh=$venv
}

check() {
  local asked=${rig:-$root/etc/brakewater/rig.toml}
  "$fresh/bin/python" -m brakewater check "$asked" >/dev/null ||
    stop 2 "$asked is refused; nothing was changed, and what ran before runs on"
}

people() { # who may command, from the rig file
  "$fresh/bin/python" - "$root/etc/brakewater/rig.toml" "$1" <<'P'
import sys
import tomllib

with open(sys.argv[1], "rb") as file:
    rig = tomllib.load(file)
if sys.argv[2] == "root":
    print(rig.get("mqtt", {}).get("root", f"brakewater/{rig['rig']['name']}"))
else:
    print("\n".join(rig.get("people", {})))
P
}

files() {
  install -d -m 0755 "$root/etc/systemd/system/brakewater.service.d" "$root/etc/sysusers.d" "$root/usr/local/bin" \
    "$root/usr/share/doc/brakewater"
  install -m 0644 "$here/systemd/brakewater.sysusers" "$root/etc/sysusers.d/brakewater.conf"
  systemd-sysusers ${root:+--root="$root"} "$root/etc/sysusers.d/brakewater.conf" 2>/dev/null ||
    systemd-sysusers ${root:+--root="$root"} brakewater.conf
  group=$(awk -F: '$1 == "brakewater" { print $3 }' "$root/etc/group")
  [ -n "$group" ] || stop 3 "the group brakewater was not made"
  install -d -m 0750 -g "$group" "$root/etc/brakewater"
  install -d -m 0700 "$root/etc/brakewater/credentials"
  install -d -m 0750 -o "$group" -g "$group" "$root/var/lib/brakewater"
  if [ -n "$rig" ] && ! cmp -s "$rig" "$root/etc/brakewater/rig.toml"; then
    [ ! -e "$root/etc/brakewater/rig.toml" ] || cp -p "$root/etc/brakewater/rig.toml" "$root/etc/brakewater/rig.toml.before"
    install -m 0640 -g "$group" "$rig" "$root/etc/brakewater/rig.toml"
  fi
  local kept # what a backup brought back carries the group's number on the old PC
  for kept in "$root/etc/brakewater/rig.toml" "$root"/etc/brakewater/*.key; do
    [ ! -f "$kept" ] || { chgrp "$group" "$kept" && chmod 0640 "$kept"; }
  done
  install -m 0644 "$here/systemd/brakewater.service" "$root/etc/systemd/system/brakewater.service"
  local dropins="$root/etc/systemd/system/brakewater.service.d" asked="$root/etc/brakewater/rig.toml"
  rm -f "$dropins/serial.conf" "$dropins/low-ports.conf"
  ! grep -Eq '^[[:space:]]*transport[[:space:]]*=[[:space:]]*"rtu"' "$asked" ||
    install -m 0644 "$here/systemd/serial.conf" "$dropins/serial.conf"
  ! awk '/^\[/ { of = $1 } (of == "[registers]" || of == "[panel]") && $1 == "port" { print $3 }' "$asked" |
    grep -Eq '^[0-9]{1,3}$|^10[01][0-9]$|^102[0-3]$' || install -m 0644 "$here/systemd/low-ports.conf" "$dropins/low-ports.conf"
  install -m 0644 "$here/runbook.md" "$root/usr/share/doc/brakewater/runbook.md"
  install -m 0755 "$here/backup.sh" "$root/usr/local/bin/brakewater-backup"
  printf '#!/bin/sh\nexec /opt/brakewater/current/bin/python -m brakewater "$@"\n' >"$root/usr/local/bin/brakewater"
  chmod 0755 "$root/usr/local/bin/brakewater"
}

secret() { head -c 24 /dev/urandom | base64 | tr '+/' '-_'; }

certificates() { # an authority of this PC's own, for this broker alone
  local folder=$1
  [ ! -e "$folder/broker.pem" ] || return 0
  install -d -m 0750 "$folder"
  local name
  name=$(hostname 2>/dev/null || echo rig-pc)
  openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 7300 -subj "/CN=brakewater broker authority" \
    -addext "keyUsage=critical,keyCertSign,cRLSign" -keyout "$folder/ca.key" -out "$folder/ca.pem" 2>/dev/null
  openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -subj "/CN=$name" -keyout "$folder/broker.key" \
    -out "$folder/broker.csr" 2>/dev/null
  printf 'subjectAltName=DNS:%s,DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n' "$name" >"$folder/broker.ext"
  openssl x509 -req -in "$folder/broker.csr" -CA "$folder/ca.pem" -CAkey "$folder/ca.key" -CAcreateserial -days 3650 \
    -extfile "$folder/broker.ext" -out "$folder/broker.pem" 2>/dev/null
  rm -f "$folder/broker.csr" "$folder/broker.ext" "$folder/ca.srl"
  chmod 0600 "$folder/ca.key"
  chmod 0640 "$folder/broker.key"
}

broker() {
  local etc="$root/etc/mosquitto" names topics plain user group
  names=$(people names) topics=$(people root)
  install -d -m 0755 "$etc/conf.d" "$root/var/lib/mosquitto"
  certificates "$etc/brakewater"
  sed -e "s|@ETC@|/etc|; s|@LIB@|/var/lib|; s|@PORT@|8883|" "$here/broker/mosquitto.conf" >"$etc/conf.d/brakewater.conf"
  # Debian's own file says where already, and mosquitto 2 does not start when it is said twice.
  ! grep -qs '^persistence_location' "$etc/mosquitto.conf" || sed -i '/^persistence_location/d' "$etc/conf.d/brakewater.conf"
  { sed "s|@ROOT@|$topics|" "$here/broker/acl"
    for user in $names; do sed "s|@ROOT@|$topics|; s|@USER@|$user|" "$here/broker/reader.acl"; done; } >"$etc/brakewater.acl"
  # Passwords that exist are kept; who is new in [people] gets one.
  plain="$root/etc/brakewater/broker-passwords"
  (umask 077 && touch "$plain")
  local changed=''
  for user in brakewater lamps office sparkplug-host $names; do
    grep -q "^$user:" "$plain" && continue
    echo "$user:$(secret)" >>"$plain"
    ! grep -qs "^$user:" "$etc/brakewater.passwords" || [ "$user" = brakewater ] || changed="$changed $user"
  done
  (umask 077 && sed -n 's/^brakewater://p' "$plain" | tr -d '\n' >"$root/etc/brakewater/credentials/mqtt_password")
  (umask 077 && cp "$plain" "$etc/brakewater.passwords")
  mosquitto_passwd -U "$etc/brakewater.passwords"
  group=$(awk -F: '$1 == "mosquitto" { print $3 }' "$root/etc/group")
  [ -z "$group" ] || { chgrp -R "$group" "$etc/brakewater" "$etc/brakewater.passwords" "$etc/brakewater.acl"
    chmod 0640 "$etc/brakewater.passwords" "$etc/brakewater.acl"; }
  install -m 0644 "$etc/brakewater/ca.pem" "$root/etc/brakewater/broker-ca.pem"
  [ -z "$changed" ] || say "NEW PASSWORDS for$changed: the old ones did not stand in $plain any more." \
    "Whoever connects by one of these names, lamps and horns too, is refused until given the new one from there"
  say "broker: passwords in $plain; in the rig file: host = \"127.0.0.1\", port = 8883, user = \"brakewater\", tls = true," \
    'ca = "/etc/brakewater/broker-ca.pem"'
}

program
check
files
[ -z "$broker" ] || broker
mkdir -p "$root/opt/brakewater"
[ -n "$ready" ] || fresh=$(basename "$fresh")
ln -sfn "$fresh" "$root/opt/brakewater/current.new"
mv -T "$root/opt/brakewater/current.new" "$root/opt/brakewater/current"
if [ -z "$root" ] && [ -d /run/systemd/system ]; then
  systemctl daemon-reload
  [ -z "$broker" ] || systemctl restart mosquitto
  systemctl enable -q brakewater
  systemctl restart brakewater || stop 3 "installed, but it does not start: journalctl -u brakewater -n 50"
  say "the watch runs; brakewater status tells how it does"
else
  say "installed${root:+ below $root}; nothing was started"
fi
