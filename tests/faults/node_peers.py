"""Peers on Node.js libraries: installed once from their lock file into ``build/``, started where a test needs them.

Where they cannot be had (no Node.js, or no package registry in reach) the tests that need them are skipped, and say so
in the summary and on standard error; set BRAKEWATER_NODE_PEERS=must to have that fail.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from brokers import free_port

_SOURCES = Path(__file__).with_name("node")
_BUILD = Path(__file__).parents[2] / "build"
_INSTALL = ("npm", "ci", "--ignore-scripts", "--omit=optional", "--no-audit", "--no-fund")
_WITHIN_S = 50.0


@cache
def _installed() -> Path | str:
    """The folder with the installed libraries, or why there is none."""
    missing = [name for name in ("node", "npm") if shutil.which(name) is None]
    if missing:
        return f"not installed: {', '.join(missing)}; `bash tests/run.sh` installs nodejs and npm"
    lock = (_SOURCES / "package-lock.json").read_bytes()
    made = _BUILD / f"node-peers-{hashlib.sha256(lock).hexdigest()[:12]}"
    if made.exists():
        return made
    part = _BUILD / f"{made.name}.{os.getpid()}"
    part.mkdir(parents=True)
    for name in ("package.json", "package-lock.json"):
        shutil.copy(_SOURCES / name, part)
    try:
        subprocess.run(_INSTALL, cwd=part, check=True, capture_output=True, text=True, timeout=_WITHIN_S)
    except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
        shutil.rmtree(part, ignore_errors=True)
        return f"npm could not install the peers: {(error.stderr or str(error))[-300:]}"
    if made.exists():  # another process was quicker
        shutil.rmtree(part)
    else:
        part.rename(made)
    return made


def libraries() -> Path:
    """Where Node.js finds them; skips the test, loudly, where they cannot be had."""
    found = _installed()
    if isinstance(found, Path):
        return found / "node_modules"
    says = f"NOT TESTED against Node.js peers: {found}"
    print(says, file=sys.__stderr__)
    if os.environ.get("BRAKEWATER_NODE_PEERS") == "must":
        pytest.fail(says)
    pytest.skip(says)


def _command(script: str, *words: object) -> tuple[list[str], dict[str, str]]:
    return ["node", str(_SOURCES / script), *map(str, words)], {**os.environ, "NODE_PATH": str(libraries())}


@contextmanager
def device(delay_ms: int = 0, every: int = 1) -> Iterator[int]:
    """The device of ``register_server.js`` at the port given."""
    port = free_port()
    command, environment = _command("register_server.js", port, delay_ms, every)
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
    ) as process:
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "ready\n"
            yield port
        finally:
            process.kill()


def asked(port: int, what: str, address: int, last: int, unit: int = 1) -> dict[str, Any]:
    """What ``plc_client.js`` prints: ``values``, or ``exception`` with its code."""
    command, environment = _command("plc_client.js", port, unit, what, address, last)
    said = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=20, check=False)
    assert said.returncode == 0, said.stderr
    found = json.loads(said.stdout)
    assert isinstance(found, dict)
    return found
