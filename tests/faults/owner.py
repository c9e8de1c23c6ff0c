"""As a new owner would, in a fresh Debian and from the runbook alone: installed, guarded, upgraded, broken, restored.

    cd tests && python -m faults.owner                 prints the table
    cd tests && python -m faults.owner --write         and keeps it as tests/results/DATE-owner.txt

What is typed in there stands in README.md and deploy/runbook.md, word for word but for names; `tests/integration/
test_owner_long.py` holds the two against each other. Exit status: 0 all as it should be, 1 something was not, 3 no
fresh root can be made or started here (it says why). About ten minutes, most of it installing.
"""

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from faults.fresh_root import Machine, NoRoomError, booted, lacking, made, prepared

TOP: Final = Path(__file__).parents[2]
RESULTS: Final = TOP / "tests" / "results"
RECORD: Final = "/var/lib/brakewater"
BACKUP: Final = "/mnt/backup/rig-4"
PACKAGES: Final = "apt-get install python3 python3-venv systemd mosquitto openssl"
"""What the runbook has installed, with a broker on this PC."""
FETCH: Final = ("python3 deploy/charts.py", "python3 -m pip download -r runtime.lock -d wheels")
INSTALL: Final = "bash deploy/install.sh my-rig.toml --broker --wheels wheels"
AGAIN: Final = "bash deploy/install.sh --broker --wheels wheels"
CHANGE: Final = "install -b -S .before -m 0640 -g brakewater new.toml /etc/brakewater/rig.toml"
RESTORE: Final = (
    f"rm -rf {RECORD}/* && cp -a {BACKUP}/record/. {RECORD}/",
    f"chown -R brakewater: {RECORD} && chmod -R u=rwX,g=rX,o= {RECORD}",
    f"brakewater verify {RECORD}",
    "systemctl start brakewater && brakewater status",
)
"""Steps 3 to 5 of the runbook."""
RENAME: Final = (
    f"systemctl stop brakewater && mv {RECORD} {RECORD}-OLD",
    f"install -d -o brakewater -g brakewater -m 0750 {RECORD}",
)
"""Before another rig's name."""
_MADE: Final = (
    "/etc/systemd/system/brakewater.service*", "/etc/sysusers.d/brakewater.conf", "/usr/local/bin/brakewater",
    "/usr/local/bin/brakewater-backup", "/usr/share/doc/brakewater", "/opt/brakewater",
)  # fmt: skip
UNINSTALL: Final = (
    "systemctl disable --now brakewater",
    f"rm -r {' '.join(_MADE)} && systemctl daemon-reload",
    "rm -r /etc/mosquitto/conf.d/brakewater.conf /etc/mosquitto/brakewater* && systemctl restart mosquitto",
    "rm -r /etc/brakewater",
    f"rm -r {RECORD} && userdel brakewater",
)
"""In its order."""
BROKER: Final = """[mqtt]
host = "127.0.0.1"
port = 8883
user = "brakewater"
tls = true
ca = "/etc/brakewater/broker-ca.pem"
"""
"""As install.sh tells when it has made one."""


@dataclass(slots=True)
class Told:
    """The table: a row a step."""

    rows: list[tuple[str, str, bool, float]] = field(default_factory=list)

    def step(self, what: str, work: Callable[[], str]) -> bool:
        """Do it, and put down what it found; an AssertionError is a step that failed."""
        began = time.monotonic()
        try:
            found, good = work(), True
        except (AssertionError, subprocess.TimeoutExpired) as error:
            found, good = str(error), False
        self.rows.append((what, found, good, time.monotonic() - began))
        print(self.line(self.rows[-1]), flush=True)
        return good

    @staticmethod
    def line(row: tuple[str, str, bool, float]) -> str:
        """One row of it."""
        what, found, good, took = row
        first, *more = found.strip().splitlines() or [""]
        text = f"{what:<54} {'as it should be' if good else 'NOT SO':<16} {took:6.1f} s  {first}"
        return "\n".join([text, *([] if good else [f"    {one}" for one in more[-25:]])])


def ok(machine: Machine, *scripts: str, status: int = 0, within_s: float = 600.0) -> str:
    """What the shell said to all of them; each must end with that status."""
    said = ""
    for script in scripts:
        done = machine.run(script, within_s=within_s)
        said += done.stdout
        assert done.returncode == status, f"{script}: exit status {done.returncode}\n{done.stdout[-3000:]}"
    return said


def status(machine: Machine) -> dict[str, Any]:
    """What the watch says of itself."""
    said = machine.run("brakewater status --json").stdout
    assert said.startswith("{"), said
    found: dict[str, Any] = json.loads(said)
    return found


def well(machine: Machine) -> str:
    """It watches: a scan of the last seconds, the PLC answers, the broker is there."""

    def is_so() -> bool:
        done = machine.run("brakewater status --json 2>/dev/null")
        if not done.stdout.startswith("{"):
            return False
        found = json.loads(done.stdout)
        devices = {name: one["status"] for name, one in found["devices"].items()}
        age_s = found["scan_age_s"]  # none before the first scan
        return age_s is not None and age_s < 2 and devices.get("plc1") == "ok" and found["links"].get("broker") is True

    until(machine, is_so)
    return ok(machine, "brakewater status | head -1").strip()


def until(machine: Machine, is_so: Callable[[], bool], within_s: float = 60.0) -> None:
    """Wait for it."""
    deadline = time.monotonic() + within_s
    while not is_so():
        if time.monotonic() > deadline:
            raise AssertionError(f"not within {within_s:g} s\n" + machine.run(
                "brakewater status; systemctl status brakewater --no-pager; journalctl -u brakewater -n 20 --no-pager"
            ).stdout)  # fmt: skip
        time.sleep(0.5)


def told_events(machine: Machine, record: str) -> list[str]:
    """Every event by a replay of the record, which must give what was recorded."""
    lines = ok(machine, f"brakewater replay {record} --compare --json 2>/dev/null").splitlines()
    assert json.loads(lines[-1])["identical"] is True, lines[-1]
    return lines[:-1]


# ------------------------------------------------------------------------------------------------ the steps


def installed(machine: Machine, folder: str) -> str:
    """The runbook's first lines, and the rig's PLC played by the simulator."""
    ok(machine, f"cd {folder} && {INSTALL}")
    play(machine)
    return well(machine)


def play(machine: Machine) -> None:
    """The simulator answers at the PLC's address."""
    sim = "/opt/brakewater/current/bin/brakewater-sim serve trip-in --rig /etc/brakewater/rig.toml"
    ok(machine, f"systemd-run -q --unit=plc {sim}")


def exposure(machine: Machine) -> str:
    """By systemd's judgement of the unit as it is loaded; 2.0 and less it calls OK."""
    said = ok(machine, "systemd-analyze security brakewater --no-pager --threshold=20")
    return said.strip().splitlines()[-1].strip("→ ")


def killed(machine: Machine) -> str:
    """kill -9: systemd starts it again, and it is the same watch."""
    before = status(machine)["run"]
    ok(machine, "systemctl kill -s KILL --kill-whom=main brakewater")
    until(machine, lambda: machine.run("systemctl is-active -q brakewater && brakewater status").returncode == 0)
    well(machine)
    return f"run {before} became run {status(machine)['run']}"


def stopped_scans(machine: Machine) -> str:
    """No scans: the watchdog is not fed, and systemd starts it again."""
    ok(machine, "systemctl kill -s STOP --kill-whom=main brakewater")
    machine.until("journalctl -u brakewater --no-pager | grep -q 'Watchdog timeout'", 60.0)
    well(machine)
    return "Watchdog timeout, and it watches again"


def silent_plc(machine: Machine) -> str:
    """The PLC goes: alarms, one of them acknowledged."""
    ok(machine, "systemctl stop plc")
    # One that is over but not acknowledged may stand from the starts before.
    until(machine, lambda: states(machine).get("rig.device-silent:plc1") == "unacknowledged")
    ok(machine, "useradd driller; adduser driller brakewater",
       "runuser -u driller -- brakewater do acknowledge rig.device-silent:plc1")  # fmt: skip
    until(machine, lambda: states(machine).get("rig.device-silent:plc1") == "acknowledged")
    return ", ".join(f"{name} {state}" for name, state in states(machine).items())


def states(machine: Machine) -> dict[str, str]:
    """Standing alarm -> its state."""
    return {f"{one['brake'] or 'rig'}.{one['alarm']}": one["state"] for one in status(machine)["alarms"]}


def started_in_an_alarm(machine: Machine) -> str:
    """As a service, and by a kill, while alarms stand: acknowledged, shelved and new ones are as they were."""
    ok(machine, 'brakewater do shelve aux.outlet-rise-high --minutes 60 --reason "range of the RTD"')
    before = states(machine)
    assert set(before.values()) >= {"acknowledged", "unacknowledged", "shelved"}, before
    for how in ("systemctl restart brakewater", "systemctl kill -s KILL --kill-whom=main brakewater; sleep 2"):
        ok(machine, how)
        until(machine, lambda: machine.run("brakewater status").returncode == 0)
        assert states(machine) == before, states(machine)
    return ", ".join(f"{name} {state}" for name, state in before.items())


def rights_taken(machine: Machine) -> str:
    """Nothing can be recorded, which is an alarm; what status says to mend it is typed, and nothing started anew."""
    ok(machine, f"chown root {RECORD}/hot && chmod 700 {RECORD}/hot")
    until(machine, lambda: states(machine).get("rig.record-stalled") == "unacknowledged")
    said = ok(machine, "brakewater status | grep ^record:")
    ok(machine, said.partition("mend it as root: ")[2])
    until(machine, lambda: status(machine)["record"]["commit_age_s"] < 2)
    verified = ok(machine, f"brakewater verify {RECORD}").splitlines()[0]
    return f"{said.split(',')[0]}; mended as it said; {verified}"


def expired_certificate(machine: Machine) -> str:
    """The broker's: status says so, and install.sh makes another."""
    folder = "/etc/mosquitto/brakewater"
    ok(machine, f"cd {folder} && openssl req -new -key broker.key -subj /CN=rig-pc -out /tmp/csr"
       " && echo subjectAltName=IP:127.0.0.1 > /tmp/ext"
       " && openssl x509 -req -in /tmp/csr -CA ca.pem -CAkey ca.key -CAcreateserial -CAserial /tmp/srl -days -1"
       " -extfile /tmp/ext -out broker.pem",
       "systemctl restart mosquitto")  # fmt: skip
    until(machine, lambda: "has expired" in machine.run("brakewater status | grep ^broker:").stdout)
    said = ok(machine, "brakewater status | grep ^broker:")
    again = ok(machine, f"cd brakewater && {AGAIN}")
    assert "NEW AUTHORITY" not in again, again
    well(machine)
    return said.strip()


def other_name(machine: Machine) -> str:
    """A rig file of another name: refused before anything stops; then as the runbook says, and all gone at the end."""
    ok(machine, 'sed \'s/name = "rig-4"/name = "rig-5"/\' /etc/brakewater/rig.toml > renamed.toml')
    install = "cd brakewater && bash deploy/install.sh ../renamed.toml --broker --wheels wheels"
    said = ok(machine, install, status=2)
    assert "is the record of rig 'rig-4'" in said, said
    well(machine)
    ok(machine, *RENAME, install)
    found = well(machine)
    told_events(machine, f"{RECORD}-OLD")
    return f"{said.splitlines()[-2].partition(': ')[2]}; {found}"


def uninstalled(machine: Machine) -> str:
    """By the runbook; nothing of it is left, and the broker runs."""
    ok(machine, *UNINSTALL, f"rm -r {RECORD}-OLD", "groupdel brakewater; systemctl is-active -q mosquitto")
    left = ok(
        machine, "find / -xdev -name '*brakewater*' -not -path '/root/*' -not -path '/mnt/*' -not -path '/proc/*'"
    )
    assert not left, left
    ok(machine, "getent passwd brakewater || getent group brakewater", status=2)
    return "nothing of it is left, and the broker runs on"


def backed_up(machine: Machine) -> str:
    """While it runs, twice, and looked at; then the PLC comes back."""
    again = ok(machine, *[f"brakewater-backup {BACKUP} --with-credentials"] * 2)
    told_events(machine, f"{BACKUP}/record")
    play(machine)
    return ok(machine, f"brakewater verify {BACKUP}/record").splitlines()[0] + "; " + again.splitlines()[-1]


def bad_rig_file(machine: Machine) -> str:
    """Refused while it runs; at a start it ends and stays down; the backup's file mends it."""
    ok(machine, "cp /etc/brakewater/rig.toml good.toml; sed 's/75 gal.min/75 gal/' good.toml > new.toml", CHANGE,
       "cmp good.toml /etc/brakewater/rig.toml.before")  # fmt: skip
    ok(machine, "systemctl reload brakewater", status=1)
    assert "least-flow" in ok(machine, "brakewater reload", status=2)
    machine.until("journalctl -u brakewater --no-pager | grep -q least-flow", 30.0)
    ok(machine, "systemctl is-active -q brakewater && brakewater status >/dev/null; [ $? -le 1 ]")
    machine.run("systemctl restart brakewater")
    machine.until("systemctl show brakewater -p ExecMainStatus | grep -q =2 && systemctl is-failed -q brakewater", 30.0)
    ok(machine, f"cp {BACKUP}/etc/rig.toml new.toml", CHANGE, "systemctl start brakewater")
    well(machine)
    ok(machine, "systemctl reload brakewater")
    return "reload refused, start refused with status 2, restored, reloaded: " + well(machine)


def paired(machine: Machine) -> str:
    """Root pairs two screens and exports: the service, which runs as another user, goes on with what root wrote."""
    ok(
        machine,
        "brakewater panel --pair doghouse; brakewater panel --pair shaker",
        f"brakewater export {RECORD} -o x.csv",
    )
    owners = ok(machine, f"stat -c %U:%G {RECORD}/panel-stations.json {RECORD}/exports.jsonl").split()
    assert owners == ["brakewater:brakewater"] * 2, owners
    said = ok(machine, f"runuser -u driller -- brakewater panel --pair shaker --record {RECORD} 2>&1", status=3)
    return said.strip().splitlines()[-1]


def damaged_record(machine: Machine) -> str:
    """Bytes overwritten in the middle of the newest file: verify says where; restored."""
    ok(machine, "systemctl stop brakewater")
    newest = ok(machine, f"ls -S {RECORD}/hot/*.sqlite3 | head -1").strip()
    ok(machine, f"dd if=/dev/urandom of={newest} bs=4096 seek=3 count=7 conv=notrunc status=none")
    said = ok(machine, f"brakewater verify {RECORD}", status=1)
    return f"{said.splitlines()[0]}; {restored(machine)}"


def lost_record(machine: Machine) -> str:
    """The folder is deleted under the running watch."""
    ok(machine, f"rm -rf {RECORD}/*")
    machine.until("journalctl -u brakewater --no-pager | grep -q 'was removed while it was being written'", 60.0)
    ok(machine, "systemctl stop brakewater")
    return restored(machine)


def restored(machine: Machine) -> str:
    """Steps 3 to 5; the record goes on where the backup was taken."""
    kept = told_events(machine, f"{BACKUP}/record")
    *before, last = RESTORE
    ok(machine, *before)
    machine.run(last)
    found = well(machine)
    now = told_events(machine, RECORD)
    assert now[: len(kept)] == kept, "the restored record tells other events than the backup"
    return f"{found}; {len(kept)} events of the backup, {len(now)} now, replayed the same"


def upgraded(machine: Machine) -> str:
    """From an earlier version, back, and on again; every build reads what the other wrote."""
    ok(machine, f"cd brakewater && {AGAIN}")
    well(machine)
    builds = ok(machine, "ls -t /opt/brakewater | grep -v current").split()
    new = ok(machine, "readlink /opt/brakewater/current").strip()
    (old,) = set(builds) - {new}
    ok(machine, f"ln -sfn {old} /opt/brakewater/current && systemctl restart brakewater")
    well(machine)
    ok(machine, f"ln -sfn {new} /opt/brakewater/current && systemctl restart brakewater")
    well(machine)
    told_events(machine, RECORD)
    versions = " to ".join(
        ok(machine, f"cut -d, -f1 /opt/brakewater/{one}/.whole").strip().removeprefix("brakewater ")
        for one in (old, new)
    )
    return f"{versions}, back, and on; {ok(machine, f'brakewater verify {RECORD}').splitlines()[0]}"


def newer_record(machine: Machine) -> str:
    """A record whose format this version does not know is refused and left alone; the newer version goes on with it."""
    ok(machine, "systemctl stop brakewater")
    newest = ok(machine, f"ls {RECORD}/hot/*.sqlite3 | tail -1").strip()
    version = (
        "/opt/brakewater/current/bin/python -c 'import sqlite3, sys; b = sqlite3.connect(sys.argv[1]);"
        f' b.execute("PRAGMA user_version = %d"); b.close()\' {newest}'
    )
    ok(machine, version % 99, f"chown brakewater: {RECORD}/hot/*")
    machine.run("systemctl start brakewater", within_s=200)
    machine.until("journalctl -u brakewater --no-pager | grep -q 'written by a newer version'", 30.0)
    machine.until("systemctl show brakewater -p ExecMainStatus | grep -q =2 && systemctl is-failed -q brakewater", 30.0)
    ok(machine, version % 1, f"chown brakewater: {RECORD}/hot/*", "systemctl start brakewater")
    return "refused, and said; " + well(machine)


def new_pc(machine: Machine) -> str:
    """All steps of the runbook on a PC that has nothing but the backup's disk, the checkout and the wheels."""
    ok(machine, f"mkdir -p /etc/brakewater && cp -a {BACKUP}/etc/. /etc/brakewater/",
       f"mkdir -p /etc/mosquitto/brakewater && cp -a {BACKUP}/broker/. /etc/mosquitto/brakewater/",
       f"cd brakewater && {AGAIN}", "systemctl stop brakewater")  # fmt: skip
    kept = told_events(machine, f"{BACKUP}/record")
    ok(machine, *RESTORE)
    silent = states(machine)["rig.device-silent:plc1"]
    assert silent == "acknowledged", f"device-silent:plc1 was acknowledged when the backup was taken, now {silent}"
    play(machine)
    found = well(machine)
    assert told_events(machine, RECORD)[: len(kept)] == kept, "the restored record tells other events than the backup"
    for name in ("broker-passwords", "credentials/mqtt_password"):
        ok(machine, f"cmp {BACKUP}/etc/{name} /etc/brakewater/{name}")
    ok(machine, f"cmp {BACKUP}/broker/ca.pem /etc/brakewater/broker-ca.pem")
    return f"{found}; alarms as they stood, the same passwords and certificate, {len(kept)} events replayed the same"


# ------------------------------------------------------------------------------------------------ the roots


def certificate() -> Path | None:
    """Whom this machine's network trusts beside the public authorities, if it says so."""
    said = os.environ.get("PIP_CERT") or os.environ.get("SSL_CERT_FILE")
    return Path(said) if said else None


def boxed(root: Path, earlier: str) -> str:
    """A Debian with the packages the runbook names, the checkout, an earlier one, and what was fetched elsewhere."""
    made(root)
    prepared(root, f"apt-get update -q\n{PACKAGES.replace('install', 'install -y -q', 1)}")
    for folder, commit in (("brakewater", ""), *((("earlier", earlier),) if earlier else ())):
        carried(root / "root" / folder, commit)
        rig = (TOP / "config/demo.toml").read_text()
        (root / "root" / folder / "my-rig.toml").write_text(re.sub(r"\[mqtt\]\n(?:\S.*\n)*", BROKER, rig))
    settings = {}
    if (file := certificate()) is not None:
        shutil.copyfile(file, root / "root/network.pem")
        settings = {"PIP_CERT": "/root/network.pem", "SSL_CERT_FILE": "/root/network.pem"}
    fetch = " && ".join(FETCH).replace("python3 -m pip", "/root/pip/bin/python -m pip -q")
    prepared(root, f"python3 -m venv /root/pip; cd /root/brakewater; {fetch}; rm -rf /root/pip", **settings)
    if earlier:  # on the same stick
        fetched = "wheels daemon/brakewater/panel/static/vendor"
        prepared(
            root, f"cd /root/brakewater; for one in {fetched}; do [ ! -e $one ] || cp -r $one ../earlier/$one; done"
        )
    return prepared(root, "echo Debian $(cat /etc/debian_version), $(dpkg -l | grep -c ^ii) packages")


def carried(to: Path, commit: str) -> None:
    """A checkout: what is under version control, as it stands here or as it was."""
    to.mkdir(parents=True)
    words = ["git", "archive", commit] if commit else ["bash", "-c", "git ls-files -z | tar c --null -T -"]
    packed = subprocess.run(words, cwd=TOP, stdout=subprocess.PIPE, check=True)
    subprocess.run(["tar", "x", "-C", to], input=packed.stdout, check=True)


def earlier_commit() -> str:
    """The last of the version before; none without history, or where packages changed since, which are fetched once."""
    words = ["git", "log", "-1", "--format=%P", "-G^version = ", "--", "pyproject.toml"]
    before = subprocess.run(words, cwd=TOP, capture_output=True, text=True, check=False).stdout.strip()
    words = ["git", "diff", "--quiet", before, "--", "runtime.lock"]
    same = bool(before) and subprocess.run(words, cwd=TOP, capture_output=True, check=False).returncode == 0
    return before if same else ""


def copied(box: Path, root: Path) -> None:
    """A PC of its own."""
    subprocess.run(["cp", "-a", "--reflink=auto", box, root], check=True)


def first_pc(told: Told, root: Path, earlier: str) -> None:
    """Installed, guarded, upgraded, broken, restored."""
    with booted(root) as pc:
        folder = "earlier" if earlier else "brakewater"
        what = f"install {earlier[:7] or 'it'}, with a broker, without internet"
        if not told.step(what, lambda: installed(pc, folder)):
            return
        if earlier:
            told.step("upgrade to today's, back, and on again", lambda: upgraded(pc))
        for what, work in (
            ("exposure of the unit as it runs", exposure),
            ("kill -9", killed),
            ("scans stop", stopped_scans),
            ("the PLC goes; its alarm is acknowledged", silent_plc),
            ("started anew and killed in the midst of alarms", started_in_an_alarm),
            ("backup at work, twice; verified, replayed", backed_up),
            ("rights taken from the record's folder", rights_taken),
            ("the broker's certificate expires", expired_certificate),
            ("a wrong rig file", bad_rig_file),
            ("root pairs screens and exports", paired),
            ("a record of a newer format", newer_record),
            ("bytes of the record overwritten", damaged_record),
            ("the record deleted under the watch", lost_record),
            ("another rig's name", other_name),
            ("uninstalled", uninstalled),
        ):
            told.step(what, lambda work=work: work(pc))  # type: ignore[misc]


def second_pc(told: Told, root: Path) -> None:
    """The first PC is lost with its disk."""
    with booted(root) as pc:
        told.step("the PC lost: a new one, from backup", lambda: new_pc(pc))
        told.step("  its exposure", lambda: exposure(pc))
        told.step("  kill -9", lambda: killed(pc))


def tried(folder: Path) -> Told:
    """All of it, in roots below a folder.

    Raises:
        NoRoomError: no root can be made or started here.
    """
    told, earlier = Told(), earlier_commit()
    box, first, second = folder / "box", folder / "pc-1", folder / "pc-2"
    told.step("a fresh Debian with the packages named", lambda: boxed(box, earlier))
    copied(box, first)
    first_pc(told, first, earlier)
    copied(box, second)
    if (first / "mnt/backup").exists():
        shutil.move(first / "mnt/backup", second / "mnt/backup")
        second_pc(told, second)
    return told


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--write", action="store_true", help="keep the table under tests/results")
    parser.add_argument("--folder", type=Path, help="an empty one where the roots go, 3 GB; default: a temporary one")
    args = parser.parse_args()
    if says := lacking():
        sys.stderr.write(f"owner: {says}\n")
        return 3
    head = f"Installed, broken, restored in a fresh Debian 12, {datetime.now(UTC):%Y-%m-%d}, commit {_commit()}"
    print(head)
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        try:
            told = tried(Path(name))
        except NoRoomError as error:
            sys.stderr.write(f"owner: {error}\n")
            return 3
    lines = [head, "Command: cd tests && python -m faults.owner --write", "", *map(Told.line, told.rows)]
    if args.write:
        (RESULTS / f"{datetime.now(UTC):%Y-%m-%d}-owner.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0 if all(good for _, _, good, _ in told.rows) else 1


def _commit() -> str:
    words = ["git", "describe", "--always", "--dirty=+", "--exclude=*"]
    return subprocess.run(words, cwd=TOP, capture_output=True, text=True, check=False).stdout.strip() or "none"


if __name__ == "__main__":
    sys.exit(main())
