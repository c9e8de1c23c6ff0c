"""The study on a Dask cluster of several workers, started for real, and from a store that is not a folder."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from brakewater_sim.cli import main as simulate
from brokers import HOST, free_port, until
from daemons import brakewater

pytestmark = [pytest.mark.integration, pytest.mark.timeout(400)]

SETTING = "aux.cooling-flow-low.setpoint=95 gal/min"


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("fleet")
    for seed in (1, 2, 3):
        words = ["record", "trip-in", "--seed", str(seed), "--seconds", "200", "-o", str(folder / f"rig-{seed}")]
        assert simulate(words) == 0
    return [*sorted(folder.iterdir()), folder / "nowhere"]


@contextmanager
def child(*words: str, log: Path) -> Iterator[None]:
    home = {**os.environ, "HOME": str(log.parent)}
    with log.open("wb") as out:
        process = subprocess.Popen([sys.executable, "-m", *words], stdout=out, stderr=out, cwd=log.parent, env=home)
        try:
            yield
        finally:
            process.kill()
            process.wait()


def study(*words: object) -> tuple[int, list[dict[str, object]], str]:
    done = brakewater("study", *words, "--set", SETTING, "--json", within_s=300)
    return done.returncode, json.loads(done.stdout)["records"] if done.stdout else [], done.stderr


def test_a_cluster_gives_the_same_to_the_last_bit(
    records: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = free_port()
    address = f"tcp://{HOST}:{port}"
    _, alone, _ = study(*records, "--workers", "1")
    with ExitStack() as stack:
        scheduler = ("distributed.cli.dask_scheduler", "--host", HOST, "--port", str(port), "--no-dashboard")
        stack.enter_context(child(*scheduler, log=tmp_path / "scheduler"))
        until(lambda: "Scheduler at" in (tmp_path / "scheduler").read_text(), "the scheduler", within_s=120.0)
        none, _, says = study(records[0], "--cluster", address)
        assert (none, "found no worker" in says) == (3, True), says
        for name in ("one", "two"):
            words = ("distributed.cli.dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard")
            stack.enter_context(child(*words, "--name", name, log=tmp_path / name))
        ready = "Registered to"
        until(lambda: all(ready in (tmp_path / name).read_text() for name in ("one", "two")), "workers", within_s=120.0)
        status, found, says = study(*records, "--cluster", address)
        monkeypatch.chdir(records[0].parent)  # where no worker is
        _, by_name, _ = study(*(one.name for one in records), "--cluster", address)
    assert (status, found) == (1, alone), says  # one of them is nowhere
    assert by_name == [{**row, "record": one.name} for one, row in zip(records, alone, strict=True)]
    status, _, says = study(records[0], "--cluster", address)
    assert status == 3
    assert "no scheduler answers there" in says


def test_a_record_may_lie_in_a_store(records: list[Path], tmp_path: Path) -> None:
    case = tmp_path / "rig-1.case.zip"
    assert brakewater("pack", records[0], "-o", case).returncode == 0
    _, (here, packed), _ = study(records[0], case, "--workers", "1")
    _, (afar, fetched, none), _ = study(records[0].as_uri(), case.as_uri(), f"{case.as_uri()}.not", "--workers", "2")
    for one, other in ((here, afar), (packed, fetched)):
        assert {**one, "record": ""} == {**other, "record": ""}
    assert "cannot be fetched" in str(none["error"])
