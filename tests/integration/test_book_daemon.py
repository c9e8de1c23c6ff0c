"""The upkeep book through a real watch: entered by command, killed, started again, read without it, taken over."""

import json
import os
import signal
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from threading import Timer
from typing import Any

import pytest

from brakewater.control import ask
from brakewater.errors import BrakewaterError
from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.stream import Command
from brokers import free_port, listening, mosquitto, running, say, until
from daemons import SmallDevice, brakewater, daemon, serving, small_rig

pytestmark = [pytest.mark.integration, pytest.mark.timeout(200)]

ENTRIES: list[dict[str, Any]] = [
    {"round": "grease"},
    {"round": "air-gap", "values": {"plug-1-left": "0.005 in", "plug-1-right": "0.0045 in"}},
    {"round": "coils", "values": {"coil-1-ohm": "0.31", "coil-1-insulation-mohm": "200"}},
    {"round": "breathers"},
]
ROUNDS = int(os.environ.get("BRAKEWATER_KILLS", "20"))

BOOK = """
[upkeep]
[[upkeep.round]]
round = "grease"
hours = "10 s"
"""
OLD = "round,done,values,remark\nair-gap,2026-10-01,plug-1-left=0.0045 in,from the old book\npolish,2026-10-01,,\n"


def same_moment(one: str | None, other: str | None) -> bool:
    """Days are counted by the steady clock and told in wall time, which is steered between two looks."""
    if one is None or other is None:
        return one is other
    return abs(datetime.fromisoformat(one) - datetime.fromisoformat(other)) < timedelta(seconds=1)


def test_entries_outlive_a_kill_and_a_replay_says_the_same(tmp_path: Path) -> None:
    device, record = SmallDevice(free_port()), tmp_path / "record"
    rig = small_rig(tmp_path / "rig.toml", device=device.port)
    rig.write_text(rig.read_text() + BOOK)
    there = ("--record", record)
    with serving(device), daemon(rig, record) as watch:
        gaps = ("plug-1-left=0.005 in", "plug-1-right=0.004 in")
        said = brakewater("do", "log-round", "air-gap", *gaps, "--remark", "scale on two", *there)
        assert said.returncode == 0, said
        assert "air-gap is logged as 1." in said.stdout
        bad = brakewater("do", "log-round", "air-gap", "plug-1-left=5", "--again", *there)
        assert bad.returncode == 1
        assert "without a unit" in bad.stdout
        assert brakewater("do", "log-round", "air-gap", "plug-1-left", "--again", *there).returncode == 2
        carried = ("--hours", "812", "--trips", "60", "--heat-gj", "720")
        changed = brakewater("do", "change-part", "meter", "--serial", "M-77", *carried, *there)
        assert "it comes with 812 h, 60 trips and 720 GJ" in changed.stdout
        assert brakewater("do", "sign-book", "--by", "the mechanic", "--remark", "as found", *there).returncode == 0
        old = tmp_path / "old.csv"
        old.write_text(OLD)
        taken = brakewater("upkeep", rig, *there, "--take", old)
        assert taken.returncode == 1
        assert "1 of 2 rows entered" in taken.stderr
        assert "allowed: grease" in taken.stderr
        before = json.loads(brakewater("upkeep", rig, *there, "--json").stdout)
        watch.kill()
        watch.start()
        live = json.loads(brakewater("upkeep", rig, *there, "--json").stdout)
        own = json.loads(brakewater("upkeep", *there, "--json").stdout)  # by the watch's own rig file
        assert (own["rig"], own["entries"]) == (live["rig"], live["entries"])
        assert watch.end() == 0
    offline = brakewater("upkeep", rig, *there, "--json")
    again = json.loads(offline.stdout)
    for name in ("gaps", "entries", "signed"):
        assert before[name] == live[name] == again[name]
    for one, other in zip(live["rounds"], again["rounds"], strict=True):
        assert (one["round"], one["done"]) == (other["round"], other["done"])
        assert same_moment(one["due"], other["due"])
    assert [one["serial"] for one in again["parts"]] == ["M-77"]
    record = there[1]
    for words in ([record], there, [record, *there]):  # by the record's own newest rig file
        assert json.loads(brakewater("upkeep", *words, "--json").stdout)["entries"] == again["entries"]
    two = brakewater("upkeep", record, "--record", tmp_path)
    assert (two.returncode, "give one record" in two.stderr) == (2, True)
    plain = brakewater("upkeep", rig, *there).stdout
    assert "meter M-77 on aux since" in plain
    assert "scale on two" in plain
    assert "by the mechanic (" in plain
    rows = brakewater("upkeep", rig, *there, "--csv").stdout
    assert "plug-1-left=0.005 in; plug-1-right=0.004 in" in rows
    assert brakewater("upkeep", rig, *there, "--calendar").stdout.startswith("BEGIN:VCALENDAR")
    sheet = tmp_path / "sheet.html"
    assert (
        brakewater("upkeep", rig, *there, "--sheet", "air-gap", "--url", "http://rig:8420", "-o", sheet).returncode <= 1
    )
    assert "http://rig:8420/book#air-gap" in sheet.read_text()


@pytest.mark.long
@pytest.mark.timeout(60 + 20 * ROUNDS)
def test_entries_survive_kills_at_any_moment(tmp_path: Path) -> None:
    device, record, chance = SmallDevice(free_port()), tmp_path / "record", Random(8)
    rig = small_rig(tmp_path / "rig.toml", device=device.port)
    rig.write_text(rig.read_text() + BOOK)
    entered, sent = list[str](), set[str]()
    with serving(device), daemon(rig, record) as watch:
        for _ in range(ROUNDS):
            timer = Timer(chance.uniform(0.05, 1.0), watch.process.kill)
            timer.start()
            with suppress(BrakewaterError, OSError, ValueError):
                while True:
                    sent.add(remark := f"entry {len(sent)}")
                    said = ask(record, {"do": "log-round", **chance.choice(ENTRIES), "remark": remark})
                    assert said["ok"], said
                    if "not in the record yet" not in said["says"]:  # a slow disk is said, and promises nothing
                        entered.append(remark)
            timer.join()
            assert watch.process.wait() == -signal.SIGKILL, watch.said  # not ended by what it was told
            watch.start()
            live = ask(record, {"ask": "book"})
            kept = [one["remark"] for one in live["entries"]]
            assert len(set(kept)) == len(kept)
            assert set(kept) <= sent
            newest = entered[-20:]  # the book shows the newest; the record has them all
            assert set(newest) <= set(kept)
        assert watch.end() == 0
    recorded = [
        item.request.args["remark"]
        for item in Record(record).inputs()
        if isinstance(item, Command) and item.request.do == "log-round"
    ]
    assert len(set(recorded)) == len(recorded)
    assert entered
    assert set(entered) <= set(recorded) <= sent
    assert verify(record).verdict == "consistent"
    again = json.loads(brakewater("upkeep", rig, "--record", record, "--json").stdout)
    assert [one["remark"] for one in again["entries"]] == kept
    for one, other in zip(live["rounds"], again["rounds"], strict=True):
        assert same_moment(one["due"], other["due"])
    print(f"{ROUNDS} kills, {len(entered)} entries acknowledged, {len(recorded)} recorded, none lost, none twice")


def test_a_round_that_was_logged_just_now_is_asked_about_on_a_terminal_too(tmp_path: Path) -> None:
    device, record = SmallDevice(free_port()), tmp_path / "record"
    rig = small_rig(tmp_path / "rig.toml", device=device.port)
    rig.write_text(rig.read_text() + BOOK)
    log = ("do", "log-round", "grease", "--record", record)
    with serving(device), daemon(rig, record):
        first = brakewater(*log).stdout.split()[-1]
        again = brakewater(*log)
        assert again.returncode == 2
        assert f"grease is logged already as {first}, done " in again.stderr
        assert f"--corrects {first} takes its place, --again enters it once more" in again.stderr
        assert brakewater(*log, "--at", "2031-02-03T04:00Z").returncode == 1  # lies ahead: the watch says so
        assert brakewater(*log, "--corrects", first).returncode == 0
        assert brakewater(*log, "--again").returncode == 0
        book = json.loads(brakewater("upkeep", rig, "--record", record, "--json").stdout)
    assert len(book["entries"]) == 3


def test_entries_over_mqtt_are_taken_once_and_answered(tmp_path: Path) -> None:
    device, record = SmallDevice(free_port()), tmp_path / "record"
    with running(mosquitto(tmp_path)) as broker, serving(device):
        rig = small_rig(tmp_path / "rig.toml", device=device.port, broker=broker.port)
        rig.write_text(f'{rig.read_text()}{BOOK}\n[people]\nmartha = "mechanic"\n')
        root = "brakewater/rig-9"
        with listening(broker.port, f"{root}/#", tmp_path / "heard") as ear, daemon(rig, record):
            until(lambda: ear.last("/horn") is not None, "the watch on the broker")
            entry = {"id": "g1", "do": "log-round", "round": "grease", "remark": "two ounces each"}
            for _ in range(2):
                say(broker.port, f"{root}/command/martha", json.dumps(entry))
            say(broker.port, f"{root}/command/martha", json.dumps({**entry, "id": "g2", "round": "polish"}))
            say(broker.port, f"{root}/command/stranger", json.dumps({**entry, "id": "g3"}))
            until(lambda: ear.last("/stranger/g3") is not None, "an answer to the last")
            book = json.loads(brakewater("upkeep", rig, "--record", record, "--json").stdout)
    said = [one.json for one in ear.all() if "/answer/martha/" in one.topic]
    assert [one["ok"] for one in said if one["id"] == "g1"] == [True, False]
    assert "carried out before" in next(one["says"] for one in said if one["id"] == "g1" and not one["ok"])
    assert ear.last("/martha/g2")["ok"] is False
    assert "allowed: grease" in ear.last("/martha/g2")["says"]
    assert ear.last("/stranger/g3")["ok"] is False
    assert [(one["round"], one["actor"], one["remark"]) for one in book["entries"]] == [
        ("grease", "martha", "two ounces each")
    ]
