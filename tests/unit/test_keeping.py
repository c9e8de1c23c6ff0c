"""The rig file's [record], legal holds as commands, and the day's end in the loop."""

import asyncio
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import psutil
import pytest

import streams
from brakewater.engine.hold_commands import window
from brakewater.engine.refusals import RefusedError
from brakewater.errors import RigFileError
from brakewater.record.holds import holds
from brakewater.record.journal import Journal
from brakewater.rig import parse
from brakewater.rig.keeping import Keeping
from brakewater.service.holding import held
from brakewater.service.recording import Recording
from brakewater.service.upkeep import Upkeep, arguments, used_e4
from brakewater.stream import Answer, Request
from record_streams import start

DEMO = streams.demo().text


def keeping(text: str) -> Keeping:
    found = parse(f"{DEMO}\n[record]\n{text}\n").keeping
    assert found is not None
    return found


def test_by_default_a_day_and_all_of_it() -> None:
    assert parse(DEMO).keeping == Keeping()
    assert (Keeping().segment, Keeping().keep, Keeping().keep_size) == (86_400_000_000_000, None, None)


def test_limits_have_units() -> None:
    found = keeping('segment = "12 h"\nvalues = true\nkeep = "400 d"\nkeep-size = "200 GB"')
    assert found == Keeping(segment="12 h", values=True, keep="400 d", **{"keep-size": "200 GB"})  # type: ignore[arg-type]
    assert arguments(Path("/r"), found) == [
        "/r", "--values", "--keep-ns", str(400 * 86_400 * 10**9), "--keep-bytes", "200000000000",
    ]  # fmt: skip
    assert arguments(Path("/r"), Keeping()) == ["/r"]


@pytest.mark.parametrize(
    "line",
    ['keep = "1 h"', 'keep = "400"', 'keep-size = "200"', 'keep-size = "1 MB"', 'segment = "1 s"', 'kept = "1 d"'],
)
def test_what_makes_no_sense_is_refused_with_its_line(line: str) -> None:
    with pytest.raises(RigFileError) as caught:
        keeping(line)
    (fault,) = caught.value.faults
    assert fault.key.startswith("record")


def test_the_disk_s_share_is_what_this_user_may_use(tmp_path: Path) -> None:
    assert used_e4(tmp_path) == pytest.approx(100 * psutil.disk_usage(str(tmp_path)).percent, abs=30)


@dataclass
class Kept:
    """What upkeep looks at of a recording."""

    folder: Path
    works: bool = True
    disk_used_e4: int | None = None


@pytest.mark.parametrize(("runs", "more", "works", "asks"), [
    (1, "", True, False), (2, "", True, True), (1, 'keep = "400 d"', True, True),
    (1, 'keep-size = "200 GB"', True, True), (2, "", False, False),
])  # fmt: skip
def test_there_is_something_to_do_once_a_run_is_closed_or_anything_may_be_over_a_limit(
    tmp_path: Path, runs: int, more: str, *, works: bool, asks: bool
) -> None:
    with Journal(tmp_path) as journal:
        for run in range(1, runs + 1):
            journal.begin(start(run))
    rig = parse(f"{DEMO}\n[record]\n{more}\n")

    async def asked() -> list[str] | None:
        upkeep = Upkeep(cast("Recording", Kept(tmp_path, works)), lambda: rig, lambda: runs)
        try:
            return upkeep._asked()
        finally:
            await upkeep.close()

    assert (asyncio.run(asked()) is not None) is asks


@pytest.mark.parametrize(
    ("begin", "end", "says"),
    [
        ("yesterday", "2031-02-04T00:00Z", "from 'yesterday'; allowed: UTC"),
        ("2031-02-03T04:00Z", None, "to None; allowed: UTC"),
        ("2031-02-03", "2031-02-04T00:00Z", "from '2031-02-03'; allowed: UTC"),
        ("2031-02-05T00:00Z", "2031-02-04T00:00Z", "back to"),
    ],
)
def test_a_hold_needs_a_window(begin: str, end: str | None, says: str) -> None:
    with pytest.raises(RefusedError, match=says):
        window({"from": begin, "to": end})


def test_a_hold_is_in_force_when_it_is_answered(tmp_path: Path) -> None:
    args = {"from": "2031-02-03T04:00Z", "to": "2031-02-04T04:00Z", "reason": "incident"}
    request = Request(id="1", actor="engineer", do="hold", args=args)
    answer = held(tmp_path, request, Answer(id="1", actor="engineer", ok=True, says="under legal hold"))
    (one,) = holds(tmp_path)
    assert (answer.ok, one.actor, one.reason, one.to_utc_ns - one.from_utc_ns) == (
        True,
        "engineer",
        "incident",
        86_400 * 10**9,
    )
    release = Request(id="2", actor="engineer", do="release-hold", args={"hold": one.id, "reason": "settled"})
    assert held(tmp_path, release, Answer(id="2", actor="engineer", ok=True, says="")).ok
    assert holds(tmp_path) == ()
    again = held(tmp_path, release, Answer(id="2", actor="engineer", ok=True, says=""))
    assert not again.ok
    assert "NOT in force" in again.says


def test_a_hold_that_cannot_be_kept_is_not_answered_as_one(tmp_path: Path) -> None:
    args = {"from": "2031-02-03T00:00Z", "to": "2031-02-04T00:00Z", "reason": "incident"}
    request = Request(id="1", actor="engineer", do="hold", args=args)
    answer = held(tmp_path / "gone", request, Answer(id="1", actor="engineer", ok=True, says=""))
    assert not answer.ok
