"""The recorder: whole, repeatable, readable by the record's own reader, and nothing half written."""

import hashlib
import json
import os
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from brakewater.quality import Status
from brakewater.record.reader import Record
from brakewater.record.rows import packed, rows_of
from brakewater.record.verify import verify
from brakewater.rig import Rig, load, parse
from brakewater.rig.load import demo_file
from brakewater.stream import Block, Command, Start
from brakewater_sim import cli, months, offline
from brakewater_sim.scenarios import SCENARIOS, Silence
from brakewater_sim.simulate import simulate

SHORT = replace(SCENARIOS["demo"], warmup_s=2.0)


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load(demo_file())


def columns(blocks: list[Block]) -> list[np.ndarray]:
    names = ("input", "t_ns", "utc_ns", "words", "status", "age_ns")
    return [np.concatenate([getattr(block, name) for block in blocks]) for name in names]


def same(one: list[Block], other: list[Block]) -> bool:
    pairs = zip(columns(one), columns(other), strict=True)
    return all(a.dtype == b.dtype and np.array_equal(a, b) for a, b in pairs)


def test_a_record_holds_the_scenario_whole_and_no_events(rig: Rig, tmp_path: Path) -> None:
    told: list[float] = []
    done = offline.record(SHORT, rig, tmp_path / "deep" / "trip", progress=told.append)
    start, *rest = Record(done.folder).inputs()
    assert start == offline.start_of(rig)
    assert isinstance(start, Start)
    assert (start.run, start.t_ns, start.boot) == (1, 0, "simulated@0")
    assert start.utc_ns == 1_927_857_906_000_000_000  # 2031-02-03T04:05:06Z, by `date -u -d ... +%s`
    blocks = [item for item in rest if isinstance(item, Block)]
    assert len(blocks) == len(rest)
    assert same(blocks, list(offline.blocks(SHORT, rig)))
    assert (done.scans, done.seconds, told[-1]) == (600, 120.0, 1.0)
    assert list(Record(done.folder).events()) == []
    report = verify(done.folder)
    assert (report.verdict, report.inputs, report.gaps) == ("consistent", 601, [])
    assert [path.name for path in done.folder.parent.iterdir()] == ["trip"]


def test_digest_is_that_of_the_rows_in_the_record(rig: Rig, tmp_path: Path) -> None:
    done = offline.record(SHORT, rig, tmp_path / "a", seconds=20.0)
    rows = [row for item in Record(done.folder).inputs() for row in rows_of(item)]
    assert hashlib.sha256(b"".join(packed(row) for row in rows)).hexdigest() == done.digest


def test_same_inputs_every_time_and_others_with_another_seed_or_rig(rig: Rig, tmp_path: Path) -> None:
    def digest(name: str, rig: Rig = rig, seed: int = 1) -> str:
        return offline.record(SHORT, rig, tmp_path / name, seed=seed, seconds=20.0).digest

    first = digest("a")
    assert digest("b") == first
    assert digest("c", seed=2) != first
    assert digest("d", rig=parse(rig.text + "\n# another\n")) != first


def test_more_than_one_chunk_loses_nothing(rig: Rig, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = offline.record(SHORT, rig, tmp_path / "a").digest
    monkeypatch.setattr(offline, "CHUNK", 7)
    monkeypatch.setattr(offline, "blocks", partial(offline.blocks, chunk=7))
    assert offline.record(SHORT, rig, tmp_path / "b").digest == whole


def test_a_silent_device_has_no_words_and_self_is_well(rig: Rig) -> None:
    scenario = replace(SHORT, silences=(Silence(device="plc1", from_s=2.0, to_s=4.0),))
    (block,) = offline.blocks(scenario, rig, seconds=6.0)
    silent = (block.t_ns >= 2_000_000_000) & (block.t_ns < 4_000_000_000)
    own = [slot for slot in rig.slots if slot.point.device == "self"]
    plc = [slot for slot in rig.slots if slot.point.device == "plc1"]
    assert len(own) + len(plc) == len(rig.slots)
    status = block.status[:, [slot.index for slot in plc]]
    assert (status == np.where(silent, Status.SILENT, Status.OK)[:, np.newaxis]).all()
    first_own = own[0].column
    assert not block.words[silent, :first_own].any()
    assert (block.status[:, [slot.index for slot in own]] == Status.OK).all()
    well = [slot.column for slot in own if slot.point.name in ("self.broker", "self.panel")]
    assert (block.words[:, well] == 1).all()
    assert not np.delete(block.words[:, first_own:], [column - first_own for column in well], axis=1).any()
    assert (block.age_ns == [5_000_000, 0]).all()


def test_a_slow_point_is_read_once_in_so_many_scans_and_grows_old_between() -> None:
    text = demo_file().read_text().replace('role = "hook-load"', 'role = "hook-load"\nevery = 5')
    rig = parse(text)
    scenario = replace(SHORT, silences=(Silence(device="plc1", from_s=1.9, to_s=2.1),))
    (slow,) = offline.blocks(scenario, rig, seconds=5.0)
    (quick,) = offline.blocks(scenario, load(demo_file()), seconds=5.0)
    slot = next(slot for slot in rig.slots if slot.point.role == "hook-load")
    group = next(index for index, one in enumerate(rig.groups) if one.every == 5)
    load_of = slice(slot.column, slot.column + 2)
    # Asked behind scans 0, 5, 10 (silent), 15 and 20; each shows from the next scan on.
    assert slow.status[:, slot.index].tolist() == [1] + [0] * 10 + [1] * 5 + [0] * 9
    for asked in (0, 5, 15, 20):
        assert (slow.words[asked + 1 : asked + 6, load_of] == quick.words[asked, load_of]).all()
    ages = slow.age_ns[:, group] // 200_000_000
    assert ages.tolist() == [0, *[1, 2, 3, 4, 5] * 4, 1, 2, 3, 4]
    other = next(index for index, one in enumerate(rig.groups) if (one.device, one.every) == ("plc1", 1))
    assert (slow.age_ns[:, other] == 5_000_000).all()
    rest = np.delete(np.arange(quick.words.shape[1]), [slot.column, slot.column + 1])
    assert np.array_equal(slow.words[:, rest], quick.words[:, rest])
    assert same([slow], list(offline.blocks(scenario, rig, seconds=5.0, chunk=3)))


def test_any_cadence_of_the_rig_is_met() -> None:
    text = demo_file().read_text().replace('scan = "200 ms"', 'scan = "230 ms"')
    (block,) = offline.blocks(SHORT, parse(text), seconds=2.3)
    assert block.t_ns.tolist() == [230_000_000 * k for k in range(10)]
    held = [tick.measured["hook-load"] for tick in simulate(SHORT, every_s=0.05, seconds=2.3)]
    slot = next(slot for slot in load(demo_file()).slots if slot.point.role == "hook-load")
    loads = block.words[:, slot.column : slot.column + 2].astype(">u2").copy().view(">f4")[:, 0] * 4448.2216152605
    assert loads.tolist() == pytest.approx([held[230 * k // 50] for k in range(10)], rel=1e-6)


def test_a_folder_with_anything_in_it_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "trip"
    folder.mkdir()
    asked = ["record", "demo", "-o", str(folder), "--seconds", "5", "--json"]
    assert cli.main(asked) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown == {
        "record": str(folder),
        "scenario": "demo",
        "seed": 1,
        "scans": 25,
        "seconds": 5.0,
        "digest": shown["digest"],
    }
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    assert cli.main(asked) == 3
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert f"{folder}: found something there; allowed: a new folder or an empty one" in told.err
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_stopped_half_way_it_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stop(_: float) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "_bar", lambda: stop)
    assert cli.main(["record", "demo", "-o", str(tmp_path / "trip"), "--seconds", "5"]) == 3
    assert list(tmp_path.iterdir()) == []
    assert capsys.readouterr().err == "stopped; nothing was written\n"


def test_what_a_killed_one_left_is_in_nobodys_way(rig: Rig, tmp_path: Path) -> None:
    offline.record(SHORT, rig, tmp_path / "killed", seconds=1.0)
    left = tmp_path / f"trip.unfinished-{os.getpid()}"
    (tmp_path / "killed").rename(left)
    assert offline.record(SHORT, rig, tmp_path / "trip", seconds=2.0).scans == 10
    assert verify(tmp_path / "trip").inputs == 11
    assert verify(left).inputs == 6


def test_a_place_that_cannot_be_written_is_told_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    for words in (["record", "demo", "--seconds", "5"], ["months", "gap"]):
        for folder in (tmp_path / "file" / "trip", Path("/proc/trip")):
            assert cli.main([*words, "-o", str(folder)]) == 3
            assert capsys.readouterr().err.startswith(f"{folder}: cannot be written: ")


ASKED = ["record", "demo", "--seconds", "5", "-o"]


def test_what_really_happened_is_written_whole_or_refused_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    told = tmp_path / "trip.json"
    assert cli.main([*ASKED, str(tmp_path / "trip"), "--truth", str(told)]) == 0
    assert json.loads(told.read_text())["scenario"] == "demo"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["trip", "trip.json"]

    monkeypatch.setattr(offline, "_write", lambda *_: pytest.fail("the work was begun"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    for truth, says in (
        ("nowhere/t.json", "nowhere/t.json: cannot be written: No such file or directory"),
        ("empty/t.json", "empty/t.json: found a file inside of the record; allowed: one beside it"),
        ("trip", "trip: found a folder; allowed: a file"),
        ("trip.json", "trip.json: found a file; allowed: a new one, nothing is overwritten"),
    ):
        capsys.readouterr()
        assert cli.main([*ASKED, "empty", "--truth", truth]) == 3
        assert capsys.readouterr().err == f"{says}\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty", "trip", "trip.json"]


@pytest.mark.parametrize("command", [ASKED, ["months", "sound", "--trips", "1", "-o"]])
def test_a_folder_that_cannot_be_replaced_is_refused_before_the_work(
    command: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(offline, "_write", lambda *_: pytest.fail("the work was begun"))
    monkeypatch.setattr(months, "_run", lambda *_: pytest.fail("the work was begun"))
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    (tmp_path / "link").symlink_to(tmp_path / "here")
    for folder, says in ((".", "allowed: a new one inside of it"), ("../link", "found something there")):
        assert cli.main([*command, folder]) == 3
        assert says in capsys.readouterr().err


def test_the_gap_is_entered_into_the_round_of_each_brake_that_asks_for_it() -> None:
    rig = parse(demo_file().with_name("rig-4-full.toml").read_text() + "\n[upkeep]\n")
    life = months.Life(kind="gap", seed=1, trips=1, stands=1)

    def entered(rig: Rig) -> list[Command]:
        return [item for item in months._run(life, 0, rig) if isinstance(item, Command)]

    (one,) = entered(rig)
    assert one.request.args["round"] == "air-gap"
    gap = next(item for item in rig.rounds if item.kind == "gap")
    rest = tuple(item for item in rig.rounds if item is not gap)
    assert entered(replace(rig, rounds=rest)) == []
    two = tuple(replace(gap, name=f"{brake}-air-gap", brake=brake) for brake in ("aux", "main"))
    first, second = entered(replace(rig, rounds=(*rest, *two)))
    assert [item.request.args["round"] for item in (first, second)] == ["aux-air-gap", "main-air-gap"]
    assert first.request.args["values"] == one.request.args["values"]
    assert second.input == first.input + 1
    assert first.request.id != second.request.id


def test_months_that_no_clock_reaches_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["months", "sound", "--trips", "60", "--apart", "60", "-o", str(tmp_path / "r")]) == 2
    told = "--apart: found 60 trips, 60 months apart; allowed: at most 600 months in all\n"
    assert capsys.readouterr().err == told


def test_an_exciter_that_gives_nothing_any_more_is_played(rig: Rig) -> None:
    dead = months.Life(kind="exciter", seed=1, trips=20).month(19)
    (block,) = offline.blocks(dead, rig, seconds=200.0)
    assert dead.conditions["excitation"][0].value(0.0) == 0.0
    assert len(block) == 1000


def test_a_sensor_that_the_rig_does_not_have_cannot_fail(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    story = tmp_path / "s.toml"
    story.write_text(
        'schema = 1\n[scenario]\nname = "x"\nlength = "60 s"\n[[fault]]\nfault = "stuck-sensor"\nrole = "return-flow"\n'
    )
    assert cli.main(["record", str(story), "-o", str(tmp_path / "r")]) == 2
    told = capsys.readouterr().err
    assert "scenario x has a fault of the sensor 'return-flow'; found no point of that role; add one" in told


def test_a_rig_of_another_class_is_told_that_its_flow_is_too_low(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    large = str(demo_file().with_name("rig-9-full.toml"))
    asked = [*ASKED, str(tmp_path / "small"), "--rig", large]
    assert cli.main(asked) == 0
    told = capsys.readouterr()
    assert told.err.startswith(f"note: aux of {large} needs 150 gal/min, and the simulated brake gets 85 gal/min: ")
    story = tmp_path / "large.toml"
    story.write_text('schema = 1\n[scenario]\nname = "x"\nlength = "5 s"\nbrake = "150 gal/min"\n')
    assert cli.main(["record", str(story), "-o", str(tmp_path / "large"), "--rig", large]) == 0
    assert capsys.readouterr().err == ""
