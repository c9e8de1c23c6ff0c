"""A Debian as it comes from its installer, in a folder: made by debootstrap, and started with systemd as process 1.

It has processes, mounts, host name, devices, control groups and a network of its own (a loopback, nothing else), so
that it can be broken without anybody noticing. Needs root, debootstrap, a mirror, and a kernel that allows all that.
"""

import contextlib
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

MIRROR: Final = os.environ.get("BRAKEWATER_DEBIAN_MIRROR", "http://deb.debian.org/debian")
SUITE: Final = "bookworm"
PATIENCE_S: Final = 180.0
_PATH: Final = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
_GROUPS: Final = Path("/sys/fs/cgroup")

_ENTERED: Final = """
root=$1; shift
mount --make-rprivate /
mount -t proc proc "$root/proc" && mount --rbind /dev "$root/dev"
exec chroot "$root" env -i PATH=$1 HOME=/root LANG=C.UTF-8 DEBIAN_FRONTEND=noninteractive "${@:2}"
"""
_BOOTED: Final = """
set -e
root=$1
mount --make-rprivate /
mount --bind "$root" "$root"
mount -t proc proc "$root/proc"
mount -t sysfs -o ro sysfs "$root/sys"
mount -t tmpfs -o mode=755 tmpfs "$root/run"
mount -t tmpfs -o mode=755 tmpfs "$root/dev"
for name in null zero full random urandom tty; do
  touch "$root/dev/$name"
  mount --bind "/dev/$name" "$root/dev/$name"
done
mkdir "$root/dev/pts" "$root/dev/shm"
mount -t devpts -o newinstance,ptmxmode=0666 devpts "$root/dev/pts"
mount -t tmpfs tmpfs "$root/dev/shm"
ln -s pts/ptmx "$root/dev/ptmx"
ln -s /proc/self/fd "$root/dev/fd"
for at in 0 1 2; do ln -s "fd/$at" "$root/dev/$(echo stdin stdout stderr | cut -d' ' -f$((at + 1)))"; done
if [ ! -e /sys/fs/cgroup/cgroup.controllers ]; then # the older hierarchies; the newer one systemd mounts by itself
  mount -t tmpfs -o mode=755 tmpfs "$root/sys/fs/cgroup"
  mkdir "$root/sys/fs/cgroup/systemd"
  mount -t cgroup -o none,name=systemd cgroup "$root/sys/fs/cgroup/systemd"
fi
cd "$root"
pivot_root . mnt
umount -l /mnt
mount --make-rshared / # as an installed system has it; the units' credentials arrive as mounts
exec env -i container=other PATH=$2 /lib/systemd/systemd
"""


class NoRoomError(Exception):
    """What this machine lacks for it."""


def lacking() -> str:
    """What is missing, or nothing."""
    if os.getuid() != 0:
        return "a root file system of its own needs root"
    missing = [name for name in ("debootstrap", "unshare", "nsenter", "pivot_root") if shutil.which(name) is None]
    return f"{', '.join(missing)} is missing: apt-get install debootstrap util-linux" if missing else ""


def made(root: Path) -> None:
    """A minimal Debian in an empty folder.

    Raises:
        NoRoomError: debootstrap could not: its last words.
    """
    words = ["debootstrap", "--variant=minbase", SUITE, str(root), MIRROR]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        says = (done.stderr.strip() or done.stdout.strip()).splitlines()[-1:]
        raise NoRoomError(f"debootstrap: {' '.join(says)}")
    for name in ("resolv.conf", "hosts"):  # the network of this machine, until it is started
        shutil.copyfile(f"/etc/{name}", root / "etc" / name)
    (root / "etc/hostname").write_text("rig-pc\n")


def prepared(root: Path, script: str, **settings: str) -> str:
    """What a shell in the root says before it is started, with this machine's network.

    Raises:
        NoRoomError: it failed.
    """
    words = ["unshare", "--mount", "--pid", "--fork", "--kill-child", "bash", "-c", _ENTERED, "_", str(root), _PATH]
    words += [*(f"{key}={value}" for key, value in settings.items()), "bash", "-euc", script]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NoRoomError(f"{script.splitlines()[0]}: {(done.stderr + done.stdout)[-800:]}")
    return done.stdout


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A root that runs."""

    root: Path
    pid: int
    """Of its process 1, as seen from here."""

    def run(self, script: str, *, within_s: float = 600.0) -> subprocess.CompletedProcess[str]:
        """A login's shell in it; output and errors together."""
        words = ["nsenter", "-t", str(self.pid), "-m", "-u", "-i", "-n", "-p", "-C", "--", "env", "-i", f"PATH={_PATH}",
                 "HOME=/root", "LANG=C.UTF-8", "bash", "-c", f"cd /root; {script}"]  # fmt: skip
        return subprocess.run(
            words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False, timeout=within_s
        )

    def until(self, script: str, within_s: float = PATIENCE_S) -> str:
        """Run again and again until its exit status is 0.

        Raises:
            AssertionError: it did not become so.
        """
        deadline = time.monotonic() + within_s
        while (done := self.run(script)).returncode:
            if time.monotonic() > deadline:
                raise AssertionError(f"not within {within_s:g} s: {script}\n{done.stdout[-2000:]}")
            time.sleep(0.5)
        return done.stdout


@contextlib.contextmanager
def booted(root: Path) -> Iterator[Machine]:
    """The root with systemd as its process 1.

    Raises:
        NoRoomError: it does not come up.
    """
    console = root.with_name(f"{root.name}.console")
    groups = _groups(f"fresh-root-{os.getpid()}")
    words = ["unshare", "--mount", "--pid", "--uts", "--ipc", "--net", "--cgroup", "--fork", "--kill-child"]
    with console.open("ab") as out:
        outer = subprocess.Popen(
            [*words, "bash", "-c", _BOOTED, "_", str(root), _PATH],
            stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True,
            preexec_fn=lambda: _join(groups),  # noqa: PLW1509 - no thread runs here
        )  # fmt: skip
    try:
        one = Machine(root=root, pid=_first_process(outer, console))
        try:
            one.until("systemctl is-system-running | grep -Eq 'running|degraded'")
        except AssertionError as error:
            raise NoRoomError(f"systemd as process 1: {error}; {console.read_text()[-800:]}") from None
        yield one
    finally:
        outer.send_signal(signal.SIGKILL)  # its child, process 1, goes with it, and all others with that
        outer.wait()
        _left(groups)


def _first_process(outer: subprocess.Popen[bytes], console: Path) -> int:
    children = Path(f"/proc/{outer.pid}/task/{outer.pid}/children")
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline and outer.poll() is None:
        for pid in children.read_text().split():
            if "systemd" in Path(f"/proc/{pid}/comm").read_text():
                return int(pid)
        time.sleep(0.1)
    raise NoRoomError(f"systemd does not start as process 1 here: {console.read_text()[-800:]}")


def _groups(name: str) -> list[Path]:
    """A control group in each hierarchy, so that what runs in there sees no other and leaves nothing behind."""
    tops = [_GROUPS] if (_GROUPS / "cgroup.procs").exists() else sorted(_GROUPS.iterdir())
    made: list[Path] = []
    for top in tops:
        if not top.is_symlink() and (top / "cgroup.procs").exists():
            with contextlib.suppress(OSError):
                (top / name).mkdir()
                for key in ("cpuset.cpus", "cpuset.mems"):  # the older cpuset takes nobody in without them
                    if (top / name / key).exists():
                        (top / name / key).write_text((top / key).read_text())
                made.append(top / name)
    return made


def _join(groups: list[Path]) -> None:
    for one in groups:
        (one / "cgroup.procs").write_text(str(os.getpid()))


def _left(groups: list[Path]) -> None:
    """The empty groups go; the kernel may still be clearing up after those who were in them."""
    deadline = time.monotonic() + 10.0
    for top in groups:
        while top.exists() and time.monotonic() < deadline:
            for one in sorted(top.rglob("*"), reverse=True):
                if one.is_dir():
                    with contextlib.suppress(OSError):
                        one.rmdir()
            with contextlib.suppress(OSError):
                top.rmdir()
                break
            time.sleep(0.1)
