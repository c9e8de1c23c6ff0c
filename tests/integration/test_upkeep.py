"""The watch's own child seals what is closed while the watch goes on, and can be stopped at any time."""

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from brakewater.record.reader import Record
from brakewater.record.sealed.layout import sealed_paths
from brakewater.record.segment import segment_runs
from brakewater.rig.keeping import Keeping
from brakewater.service import upkeep
from field_rigs import run
from record_streams import flat
from sealed_parts import many_runs

pytestmark = pytest.mark.integration


async def _until(true: Any, within_s: float = 40.0) -> None:
    async with asyncio.timeout(within_s):
        while not true():  # noqa: ASYNC110 - what is waited for happens in another process
            await asyncio.sleep(0.02)


def test_it_seals_what_is_closed_and_looks_at_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(upkeep, "_FIRST_S", 0.0)
    monkeypatch.setattr(upkeep, "_LOOK_S", 0.05)
    many_runs(tmp_path, 3)
    before = flat(Record(tmp_path).inputs())
    recording: Any = SimpleNamespace(folder=tmp_path, works=True, disk_used_e4=-1)
    rig: Any = SimpleNamespace(keeping=Keeping())

    async def test() -> None:
        one = upkeep.Upkeep(recording, lambda: rig, lambda: 3)
        await _until(lambda: segment_runs(tmp_path) == [3])
        await one.close()

    run(test())
    assert list(sealed_paths(tmp_path)) == [1, 2]
    assert 0 <= recording.disk_used_e4 <= 10_000
    assert flat(Record(tmp_path).inputs()) == before


def test_stopped_in_the_midst_it_leaves_a_whole_record_and_no_child(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(upkeep, "_FIRST_S", 0.0)
    many_runs(tmp_path, 3)
    before = flat(Record(tmp_path).inputs())
    recording: Any = SimpleNamespace(folder=tmp_path, works=True, disk_used_e4=0)
    rig: Any = SimpleNamespace(keeping=Keeping())
    children: list[asyncio.subprocess.Process] = []
    begin = asyncio.create_subprocess_exec

    async def seen(*args: Any, **more: Any) -> asyncio.subprocess.Process:
        children.append(await begin(*args, **more))
        return children[-1]

    async def test() -> None:
        monkeypatch.setattr(upkeep.asyncio, "create_subprocess_exec", seen)
        one = upkeep.Upkeep(recording, lambda: rig, lambda: 3)
        await _until(lambda: children)
        await one.close()
        assert [one.returncode is not None for one in children] == [True]

    run(test())
    assert flat(Record(tmp_path).inputs()) == before
