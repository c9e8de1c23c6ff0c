"""The live picture in a terminal, before a real watch: with a terminal, into a pipe, and when the watch dies."""

import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from brakewater.cli.watch import page
from brokers import free_port
from daemons import Daemon, SmallDevice, brakewater, daemon, serving, small_rig
from rig_parts import demo_rig, picture

pytestmark = pytest.mark.integration


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[Daemon]:
    device = SmallDevice(free_port())
    with serving(device), daemon(small_rig(tmp_path / "rig.toml", device=device.port), tmp_path / "record") as one:
        yield one


def shown(*given: object) -> str:
    out = StringIO()
    Console(file=out, width=100).print(page(*given))
    return out.getvalue()


def test_a_screen_says_what_stands_first_and_what_to_do() -> None:
    rig = demo_rig()
    text = shown(rig, picture(rig, {"aux.cooling-flow-low": "unacknowledged", "aux.brake-level-high": "acknowledged"}))
    lines = text.splitlines()
    assert lines[1].startswith("HIGH      FIRST  Cooling water low: 61.2 gal/min, set at 75 gal/min.")
    assert "Stop lowering and hold on the friction brake." in lines[2]
    assert "aux-flow" in text
    assert "61.2 gal/min" in text
    assert "not a safety instrumented system" in text


def test_without_a_picture_to_believe_no_number_is_shown() -> None:
    text = shown(demo_rig(), None)
    assert "NO LIVE PICTURE" in text
    assert "gal/min" not in text


def test_into_a_pipe_it_writes_lines_and_says_when_the_watch_has_died(watch: Daemon) -> None:
    words = [sys.executable, "-m", "brakewater", "watch", "--record", str(watch.record)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert "flow 90.0 gal/min" in child.stdout.readline()
        watch.kill()
        while "NO LIVE PICTURE" not in (line := child.stdout.readline()):
            assert "flow" in line
        watch.start()
        while "flow 90.0" not in child.stdout.readline():
            pass
        child.send_signal(signal.SIGINT)
        assert child.wait(20) == 130
        assert child.stderr is not None
        assert child.stderr.read() == ""


def test_on_a_terminal_it_fills_the_screen_and_gives_it_back(watch: Daemon) -> None:
    ours, theirs = pty.openpty()
    words = [sys.executable, "-m", "brakewater", "watch", "--record", str(watch.record)]
    environment = {**os.environ, "TERM": "xterm", "COLUMNS": "100", "LINES": "40"}
    with subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=theirs, env=environment) as child:
        os.close(theirs)
        text = _read(ours, "no alarm standing")
        assert "\x1b[?1049h" in text
        assert "watching rig rig-9" in text
        child.send_signal(signal.SIGINT)
        _read(ours, "\x1b[?1049l")
        assert child.wait(20) == 130
    os.close(ours)


def _read(terminal: int, wanted: str) -> str:
    text, until_s = "", time.monotonic() + 30
    while wanted not in text:
        assert time.monotonic() < until_s, text
        if select.select([terminal], [], [], 1.0)[0]:
            text += os.read(terminal, 65536).decode(errors="replace")
    return text


def test_where_no_watch_is_at_work_it_says_so(tmp_path: Path) -> None:
    done = brakewater("watch", "--record", tmp_path)
    assert done.returncode == 3
    assert "no daemon answers" in done.stderr
