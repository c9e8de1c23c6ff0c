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
# Exit status: 0 installed, 2 bad arguments or a bad rig file, 3 something is missing or failed. Run again after an error.
set -euo pipefail
umask 022 # the service and the broker read what is made here
here=$(cd "$(dirname "$0")" && pwd)
root='' rig='' broker='' wheel='' wheels='' ready='' python=/usr/bin/python3 told='' unfinished=''

say() { echo "install: $*" >&2; }
stop() { local status=$1; shift; say "$@"; told=yes; exit "$status"; }
ended() { # also by Ctrl-C, or by what was not foreseen
  [ -z "$unfinished" ] || rm -rf "$unfinished"
  [ -n "$told" ] || { say "ended before it was done; what ran before runs on: mend what stands above and run it again"; exit 3; }
}
trap ended EXIT

while [ $# -gt 0 ]; do
  case "$1" in --root | --wheel | --wheels | --program | --python) [ $# -ge 2 ] || stop 2 "$1 needs a value" ;; esac
  case "$1" in
    --root) root=$(realpath -m "$2") && shift ;;
    --wheel) wheel=$(realpath "$2") && shift ;;
    --wheels) wheels=$(realpath "$2") && shift ;;
    --program) ready=$(realpath "$2") && shift ;;
    --python) python=$2 && shift ;;
    --broker) broker=yes ;;
    -h | --help) sed -n '2,/^set /{/^set /!s/^# \{0,1\}//p}' "$0" && told=yes && exit 0 ;;
    -*) stop 2 "found $1; allowed: --broker, --root, --wheel, --wheels, --program, --python" ;;
    *) [ -z "$rig" ] || stop 2 "found a second rig file: $1"
       rig=$1 ;;
  esac
  shift
done

[ "$(id -u)" -eq 0 ] || stop 3 "must run as root: it makes a user and writes into /etc and /opt"
for given in "$rig" "$wheel"; do
  [ -z "$given" ] || { [ -f "$given" ] && [ -r "$given" ]; } || stop 2 "$given: no file that can be read"
done
[ -z "$wheels" ] || [ -d "$wheels" ] || stop 2 "$wheels: no such folder"
[ -z "$ready" ] || [ -x "$ready/bin/python" ] || stop 2 "$ready: no virtual environment: it has no bin/python"
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
    unfinished=$venv
    "$python" -m venv "$venv"
    local hint='' pip=("$venv/bin/python" -m pip install -q --disable-pip-version-check --no-compile)
    [ -n "$wheels" ] || hint='; without internet: --wheels, see deploy/runbook.md'
    "${pip[@]}" ${wheels:+--no-index --find-links "$wheels"} --require-hashes -r "$here/../runtime.lock" ||
      stop 3 "the packages of runtime.lock could not be had (see above)${wheels:+; fetch all of them for this processor and\
 $("$python" -V): pip download -r runtime.lock -d DIR}$hint; nothing was changed, and what ran before runs on"
    if [ -n "$wheel" ]; then
      "${pip[@]}" --no-index --no-deps "$wheel"
    else
      "${pip[@]}" --no-deps --no-build-isolation "$here/.."
    fi
    "$venv/bin/python" -m compileall -q -s "$root" "$venv/lib" || true
    # Below --root its programs would name a Python that is elsewhere once the tree is started.
    [ -z "$root" ] || { grep -rlIF -- "$venv" "$venv/bin" "$venv/pyvenv.cfg" || true; } | while IFS= read -r file; do
      "$python" - "$file" "$venv" "${venv#"$root"}" <<<'import sys, pathlib; f = pathlib.Path(sys.argv[1])
f.write_text(f.read_text().replace(sys.argv[2], sys.argv[3]))'
    done
    sync -f "$venv" # what .whole says must hold after a power cut too
    echo "$("$venv/bin/python" -m brakewater --version), installed $(date -u +%Y-%m-%dT%H:%MZ)" >"$venv/.whole"
    unfinished=''
  fi
  chmod -R go+rX "$root/opt/brakewater" # whatever umask an older install.sh ran under
  fresh=$venv
}

check() {
  local asked=${rig:-$root/etc/brakewater/rig.toml}
  "$fresh/bin/python" -m brakewater check "$asked" >/dev/null ||
    stop 2 "$asked is refused; nothing was changed, and what ran before runs on"
  of_this_rig "$asked" || stop 2 "keep that record elsewhere first, see 'Change the rig file' in deploy/runbook.md;" \
    "nothing was changed, and what ran before runs on"
}

of_this_rig() { # a record belongs to one rig: a watch of another one would not start on it
  local record=''
  [ -n "$root" ] || record=$(systemctl show -P Environment brakewater 2>/dev/null | tr ' ' '\n' |
    sed -n 's/^BRAKEWATER_RECORD=//p' | tail -n 1 || true)
  "$fresh/bin/python" - "$1" "${record:-$root/var/lib/brakewater}" <<'P'
import sys
import tomllib
from pathlib import Path

name = tomllib.loads(Path(sys.argv[1]).read_text())["rig"]["name"]
try:
    from brakewater.record.reader import Record

    record = Record(Path(sys.argv[2]))
    start = next(record.inputs(from_run=record.runs()[-1]))
    was = tomllib.loads(start.rig_toml)["rig"]["name"]
except Exception:  # none is there, or one of which the start has more to say
    was = name
if was != name:
    print(f"install: {sys.argv[2]} is the record of rig {was!r}, {sys.argv[1]} is of {name!r}", file=sys.stderr)
    sys.exit(1)
P
}

facts() { # what the rig file says: root, people (who may be known to a broker), serial, low-ports, files
  "$fresh/bin/python" - "$root/etc/brakewater/rig.toml" "$1" <<'P'
import re
import sys
import tomllib
from pathlib import Path

with open(sys.argv[1], "rb") as file:
    rig = tomllib.load(file)
if sys.argv[2] == "root":
    print(rig.get("mqtt", {}).get("root", f"brakewater/{rig['rig']['name']}"))
elif sys.argv[2] == "people":
    for name in rig.get("people", {}):
        if re.fullmatch(r"[^\s:/+#$][^\x00-\x1f\x7f:/+#]*(?<!\s)", name) and name != "brakewater":
            print(name)
        else:
            print(f"install: [people] {name!r} cannot be a user of the broker; on the PC and in the panel it can",
                  file=sys.stderr)
elif sys.argv[2] == "serial":
    print("yes" if any(one.get("transport") == "rtu" for one in rig.get("device", [])) else "")
elif sys.argv[2] == "low-ports":
    print("yes" if any(0 < rig.get(of, {}).get("port", 1024) < 1024 for of in ("registers", "panel")) else "")
else:
    tables = [rig.get("mqtt", {}), rig.get("panel", {}), *rig.get("mirror", {}).values(), *rig.get("device", [])]
    etc, tree = Path(sys.argv[1]).parent, sys.argv[1].removesuffix("/etc/brakewater/rig.toml")
    for named in dict.fromkeys(one[key] for one in tables for key in ("ca", "certificate", "key") if key in one):
        if not (Path(tree + named) if named.startswith("/") else etc / named).exists():
            place = named if named.startswith("/") else f"/etc/brakewater/{named}"
            print(f"install: the rig file names {named}: copy it to {place}, for the group brakewater to read", file=sys.stderr)
P
}

files() {
  install -d -m 0755 "$root/etc/systemd/system/brakewater.service.d" "$root/etc/sysusers.d" "$root/usr/local/bin" \
    "$root/usr/share/doc/brakewater"/{,broker,systemd}
  install -m 0644 "$here/systemd/brakewater.sysusers" "$root/etc/sysusers.d/brakewater.conf"
  systemd-sysusers ${root:+--root="$root"} "$root/etc/sysusers.d/brakewater.conf" 2>/dev/null ||
    systemd-sysusers ${root:+--root="$root"} brakewater.conf
  local user
  user=$(awk -F: '$1 == "brakewater" { print $3 }' "$root/etc/passwd")
  group=$(awk -F: '$1 == "brakewater" { print $3 }' "$root/etc/group")
  [ -n "$user" ] && [ -n "$group" ] || stop 3 "the user and the group brakewater were not made"
  install -d -m 0750 -g "$group" "$root/etc/brakewater"
  install -d -m 0700 "$root/etc/brakewater/credentials"
  install -d -m 0750 -o "$user" -g "$group" "$root/var/lib/brakewater"
  if [ -n "$rig" ] && ! cmp -s "$rig" "$root/etc/brakewater/rig.toml"; then
    [ ! -e "$root/etc/brakewater/rig.toml" ] || cp -p "$root/etc/brakewater/rig.toml" "$root/etc/brakewater/rig.toml.before"
    local new="$root/etc/brakewater/rig.toml.new" # a full disk must not leave half of one
    { install -m 0640 -g "$group" "$rig" "$new" && sync "$new" && mv "$new" "$root/etc/brakewater/rig.toml"; } ||
      { rm -f "$new"; stop 3 "the rig file could not be copied (see above); what ran before runs on"; }
  fi
  local kept # what a backup brought back carries the numbers of the old PC, or the rights of a disk that knows none
  for kept in "$root/etc/brakewater/rig.toml" "$root"/etc/brakewater/*.{key,pem}; do
    [ -f "$kept" ] || continue
    chgrp "$group" "$kept"
    if grep -q 'PRIVATE KEY' "$kept"; then # the service's, and not for the people in its group
      chown "$user" "$kept" && chmod 0400 "$kept"
    else
      chmod u=rw,g=r,o-wx "$kept"
    fi
  done
  chmod 0640 "$root/etc/brakewater/rig.toml"
  find "$root/etc/brakewater/credentials" -type f -exec chmod 0600 {} +
  [ ! -f "$root/etc/brakewater/broker-passwords" ] || chmod 0600 "$root/etc/brakewater/broker-passwords"
  install -m 0644 "$here/systemd/brakewater.service" "$root/etc/systemd/system/brakewater.service"
  local dropins="$root/etc/systemd/system/brakewater.service.d" one
  for one in serial low-ports; do
    rm -f "$dropins/$one.conf"
    [ -z "$(facts "$one")" ] || install -m 0644 "$here/systemd/$one.conf" "$dropins/$one.conf"
  done
  for one in runbook.md threats.md changes.md broker/acl systemd/brakewater.service; do # the pages, and where they point to
    install -m 0644 "$here/$one" "$root/usr/share/doc/brakewater/$one"
  done
  install -m 0755 "$here/backup.sh" "$root/usr/local/bin/brakewater-backup"
  printf '#!/bin/sh\nexec /opt/brakewater/current/bin/python -m brakewater "$@"\n' >"$root/usr/local/bin/brakewater"
  chmod 0755 "$root/usr/local/bin/brakewater"
}

secret() { head -c 24 /dev/urandom | base64 | tr '+/' '-_'; }

quiet() { # says nothing unless it fails
  local says
  says=$("$@" 2>&1) || { printf '%s\n' "$says" >&2; return 1; }
}

certificates() { # an authority of this PC's own, for this broker alone; it stays, whatever name or address the PC gets
  local folder=$1 name addresses one
  name=$(hostname 2>/dev/null || echo rig-pc)
  addresses=$(hostname -I 2>/dev/null || true)
  install -d -m 0750 "$folder"
  fits() { openssl x509 -noout -in "$folder/broker.pem" "$@" 2>/dev/null; }
  if [ -s "$folder/broker.key" ] && openssl verify -CAfile "$folder/ca.pem" "$folder/broker.pem" >/dev/null 2>&1 &&
    fits -checkend 7776000 >/dev/null && fits -checkhost "$name" | grep -q 'does match'; then
    for one in $addresses; do fits -checkip "$one" | grep -q 'does match' || break; one=''; done
    [ -n "${one:-}" ] || return 0
  fi
  local made="$folder/made"
  rm -rf "$made" && mkdir -m 0700 "$made"
  if [ ! -s "$folder/ca.key" ] || [ ! -s "$folder/ca.pem" ]; then
    quiet openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 7300 \
      -subj "/CN=brakewater broker authority" -addext "keyUsage=critical,keyCertSign,cRLSign" -keyout "$made/ca.key" -out "$made/ca.pem"
    mv "$made/ca.key" "$made/ca.pem" "$folder"
  fi
  quiet openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -subj "/CN=$name" -keyout "$made/broker.key" \
    -out "$made/broker.csr"
  { printf 'subjectAltName=DNS:%s,DNS:localhost,IP:127.0.0.1' "$name"
    for one in $addresses; do printf ',IP:%s' "$one"; done
    printf '\nextendedKeyUsage=serverAuth\n'; } >"$made/broker.ext"
  quiet openssl x509 -req -in "$made/broker.csr" -CA "$folder/ca.pem" -CAkey "$folder/ca.key" -CAserial "$made/ca.srl" \
    -CAcreateserial -days 3650 -extfile "$made/broker.ext" -out "$made/broker.pem"
  rm -f "$folder/broker.pem" # never a pair of which one is the old one's
  mv "$made/broker.key" "$made/broker.pem" "$folder"
  rm -rf "$made"
  say "the broker's certificate is for $name, localhost${addresses:+, $addresses}"
}

broker() {
  local etc="$root/etc/mosquitto" topics plain user group text
  local users=(brakewater lamps office sparkplug-host) names=()
  mapfile -t names < <(facts people)
  topics=$(facts root)
  install -d -m 0755 "$etc/conf.d" "$root/var/lib/mosquitto"
  certificates "$etc/brakewater"
  sed -e "s|@ETC@|/etc|; s|@LIB@|/var/lib|; s|@PORT@|8883|" "$here/broker/mosquitto.conf" >"$etc/conf.d/brakewater.conf"
  # Debian's own file says where already, and mosquitto 2 does not start when it is said twice.
  ! grep -qs '^persistence_location' "$etc/mosquitto.conf" || sed -i '/^persistence_location/d' "$etc/conf.d/brakewater.conf"
  text=$(cat "$here/broker/acl")
  for user in ${names[@]+"${names[@]}"}; do
    text+=$'\n\n'$(cat "$here/broker/reader.acl")
    text=${text//@USER@/"$user"}
  done
  printf '%s\n' "${text//@ROOT@/"$topics"}" >"$etc/brakewater.acl.new"
  # Passwords that exist are kept; who is new in [people] gets one, who is no longer there is not let in.
  plain="$root/etc/brakewater/broker-passwords"
  (umask 077 && touch "$plain")
  local changed='' known
  known() { cut -d: -f1 "$1" 2>/dev/null | grep -Fqx -- "$user"; }
  for user in ${names[@]+"${names[@]}"}; do [[ " ${users[*]} " = *" $user "* ]] || users+=("$user"); done
  (umask 077 && : >"$etc/brakewater.passwords.new")
  for user in "${users[@]}"; do
    if ! known "$plain"; then
      echo "$user:$(secret)" >>"$plain"
      ! known "$etc/brakewater.passwords" || [ "$user" = brakewater ] || changed="$changed $user"
    fi
    awk -F: -v user="$user" '$1 == user' "$plain" | tail -n 1 >>"$etc/brakewater.passwords.new"
  done
  local others
  others=$(cut -d: -f1 "$plain" | grep -Fvx -f <(printf '%s\n' "${users[@]}") | sort -u | paste -sd, || true)
  [ -z "$others" ] || say "not let in by the broker, since [people] does not name them: ${others//,/, }"
  (umask 077 && sed -n 's/^brakewater://p' "$plain" | tr -d '\n' >"$root/etc/brakewater/credentials/mqtt_password")
  mosquitto_passwd -U "$etc/brakewater.passwords.new"
  group=$(awk -F: '$1 == "mosquitto" { print $3 }' "$root/etc/group")
  [ -z "$group" ] || { chgrp -R "$group" "$etc/brakewater" "$etc"/brakewater.{passwords,acl}.new
    chmod 0640 "$etc"/brakewater.{passwords,acl}.new; }
  chmod 0640 "$etc/brakewater"/{broker.key,broker.pem,ca.pem}
  chmod 0600 "$etc/brakewater/ca.key"
  for text in passwords acl; do mv "$etc/brakewater.$text.new" "$etc/brakewater.$text"; done
  local trusted="$root/etc/brakewater/broker-ca.pem"
  [ ! -e "$trusted" ] || cmp -s "$etc/brakewater/ca.pem" "$trusted" ||
    say "NEW AUTHORITY: hand out $trusted again; lamps, screens and people who trust the one before do not connect"
  install -m 0644 "$etc/brakewater/ca.pem" "$trusted"
  [ -z "$changed" ] || say "NEW PASSWORDS for$changed: the old ones did not stand in $plain any more." \
    "Whoever connects by one of these names, lamps and horns too, is refused until given the new one from there"
  say "broker: passwords in $plain; in the rig file: host = \"127.0.0.1\", port = 8883, user = \"brakewater\", tls = true," \
    'ca = "/etc/brakewater/broker-ca.pem"'
}

mkdir -p "$root/opt/brakewater"
exec 9>"$root/opt/brakewater/.lock"
flock -n 9 || stop 3 "another install.sh is at work here"
program
check
files
[ -z "$broker" ] || broker
facts files
[ -n "$ready" ] || fresh=$(basename "$fresh")
ln -sfn "$fresh" "$root/opt/brakewater/current.new"
mv -T "$root/opt/brakewater/current.new" "$root/opt/brakewater/current"
if [ -z "$root" ] && [ -d /run/systemd/system ]; then
  lame=''
  systemctl daemon-reload
  systemctl enable -q brakewater
  [ -z "$broker" ] || systemctl restart mosquitto || lame=yes # the watch goes on without, and says so
  systemctl restart brakewater || stop 3 "installed, but it does not start: journalctl -u brakewater -n 50"
  say "the watch runs; brakewater status tells how it does"
  [ -z "$lame" ] || stop 3 "but the broker does not start: journalctl -u mosquitto -n 20, /var/log/mosquitto/mosquitto.log"
else
  say "installed${root:+ below $root}; nothing was started"
fi
told=yes
