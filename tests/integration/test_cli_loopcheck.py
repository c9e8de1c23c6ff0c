"""``brakewater loopcheck`` and its proofs: guided, from a list, through the running daemon, voided by a change."""

import csv
import getpass
import json
import re
from collections.abc import Callable, Iterator
from io import StringIO
from pathlib import Path
from threading import Event, Thread
from typing import Any

import pytest

from brakewater.cli import loopcheck
from brakewater.control import ask
from brakewater.record.verify import verify
from brokers import free_port, until
from daemons import Daemon, daemon, here, small_rig
from settable import Settable, Terminal, settable, terminal

pytestmark = pytest.mark.integration

INSTRUMENT = "calibrator no. 7, due 2031-06-01"  # fmt: skip


@pytest.fixture(scope="module")
def shared() -> Iterator[Settable]:
    with settable() as one:
        yield one


@pytest.fixture
def device(shared: Settable) -> Settable:
    shared.forget()
    shared.put(0, 900, 250, 400, 300)
    return shared


@pytest.fixture
def rig(device: Settable, tmp_path: Path) -> Path:
    return small_rig(tmp_path / "rig.toml", device=device.port, scan_ms=400)  # on a busy machine no read is late


def listed(folder: Path, *rows: str, head: str = "injected,wait,part") -> Path:
    file = folder / "injected.csv"
    file.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return file


def plays(monkeypatch: pytest.MonkeyPatch, *steps: Callable[[], None]) -> None:
    """In place of each wait the test does what a calibrator would."""
    left = list(steps)
    monkeypatch.setattr(loopcheck, "_pause", lambda _seconds: left.pop(0)())


def shows(device: Settable, counts: int) -> Callable[[], None]:
    """On aux-inlet, ten counts a degC."""
    return lambda: device.put(1, counts)


def sheet(rig: Path, record: Path, *words: str | Path, status: int = 0) -> dict[str, Any]:
    done = here("loopcheck", rig, "aux-inlet", "--record", record, "--scans", "2", "--json", *words)
    assert done.returncode == status, done.stderr
    found = json.loads(done.stdout)
    assert isinstance(found, dict)
    return found


def test_as_found_and_as_left_from_a_list(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """2 degC too high as found, right as left, 0.3 degC of hysteresis."""
    part = [("0 degC", 20), ("50 degC", 520), ("100 degC", 1020)]
    left = [("0 degC", 0), ("50 degC", 500), ("100 degC", 1000), ("50 degC", 503)]
    rows = [f"{said},1 s,as-found" for said, _ in part] + [f"{said},1 s,as-left" for said, _ in left]
    plays(monkeypatch, *[shows(device, counts) for _, counts in [*part, *left]])
    outputs = [tmp_path / f"sheet.{form}" for form in ("html", "csv", "txt")]
    words = [word for file in outputs for word in ("-o", file)]
    found = sheet(rig, tmp_path, "--injected", listed(tmp_path, *rows), "--instrument", INSTRUMENT, *words)
    assert (found["passed"], found["as_found_passed"], found["adjusted"]) == (True, False, True)
    assert [one["error"] for one in found["steps"]] == pytest.approx([2.0, 2.0, 2.0, 0.0, 0.0, 0.0, 0.3])
    assert found["hysteresis"] == pytest.approx(0.3)
    assert (found["by"], found["instrument"], found["unit"]) == (getpass.getuser(), INSTRUMENT, "degF")
    html, table, text = (file.read_text(encoding="utf-8") for file in outputs)
    assert "PASSED" in html
    assert INSTRUMENT in html
    rows_read = list(csv.DictReader(StringIO(table)))
    assert [row["result"] for row in rows_read] == ["FAIL"] * 3 + ["pass"] * 4
    assert text.startswith("Loop check: PASSED as left (FAILED as found)\n")
    assert "as found: FAILED, largest error +3.6 degF (+2.00% of span)" in text


def test_a_value_that_still_moves_is_read_again_until_it_has_settled(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A transmitter with damping: read at once, the mean of its way would be taken for its error."""
    ends = Event()

    def damped() -> None:
        for counts in range(300, 501):
            if ends.wait(0.03):
                return
            device.put(1, counts)

    way = Thread(target=damped)
    plays(monkeypatch, way.start)
    words = ("--injected", listed(tmp_path, "50 degC"), "--record", tmp_path / "none", "--json", "--scans", "4")
    try:
        done = here("loopcheck", rig, "aux-inlet", *words)
    finally:
        ends.set()
        way.join()
    assert "it moves, by " in done.stderr
    (found,) = json.loads(done.stdout)["steps"]
    assert found["readings"] == pytest.approx([50.0] * 4, abs=0.5)
    assert found["passed"]


@pytest.mark.parametrize(("tolerance", "status"), [("0.5 %", 1), ("1 %", 0), ("1 degF", 1), ("2 degF", 0)])
def test_the_tolerance_decides(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tolerance: str, status: int
) -> None:
    """0.8 degC (1.44 degF) of 100."""
    plays(monkeypatch, shows(device, 8), shows(device, 508))
    file = listed(tmp_path, "0 degC", "50 degC")
    assert sheet(rig, tmp_path, "--injected", file, "--tolerance", tolerance, status=status)["passed"] is (status == 0)


def test_a_few_degrees_prove_no_thermometer_whose_signal_names_no_range(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    head, mark, tail = rig.read_text(encoding="utf-8").partition('name = "aux-inlet"')
    linear = 'kind = "linear", raw = [0, 1000], range = ["0 degC", "100 degC"]'
    rig.write_text(head + mark + tail.replace(linear, 'kind = "direct", unit = "degC"', 1), encoding="utf-8")
    for low, high, proves in ((20, 25, False), (10, 60, True)):
        plays(monkeypatch, shows(device, low), shows(device, high))
        words = (
            "--range",
            f"{low} degC",
            f"{high} degC",
            "--injected",
            listed(tmp_path, f"{low} degC", f"{high} degC"),
        )
        found = sheet(rig, tmp_path / "none", *words, status=0 if proves else 1)
        assert (found["passed"], found["proves"], found["reached"]) == (True, proves, 100.0)


def test_without_a_watch_it_is_said_that_none_is_told(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A record folder forgotten: the watch elsewhere would take what is injected for measured."""
    device.put(1, 500)
    plays(monkeypatch, lambda: None)
    done = here("loopcheck", rig, "aux-inlet", "--injected", listed(tmp_path, "50 degC"), "--record", tmp_path / "none")
    assert f"no watch on {tmp_path / 'none'} is told; where one runs, give its --record" in done.stderr


def test_a_device_that_does_not_answer_proves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = small_rig(tmp_path / "rig.toml", device=free_port())
    plays(monkeypatch, lambda: None)
    found = sheet(rig, tmp_path, "--injected", listed(tmp_path, "50 degC"), status=1)
    assert (found["steps"][0]["mean"], found["steps"][0]["reason"]) == (None, "no-answer")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("aux-inlat",), "POINT: found 'aux-inlat'; allowed: aux-flow"),
        (("aux-inlet",), "found no terminal; allowed: --injected FILE"),
        (("aux-inlet", "--tolerance", "5"), "--tolerance"),
        (("aux-inlet", "--tolerance", "500 degF"), "of the range; allowed: at most 10 %"),
        (("aux-inlet", "--tolerance", "50 %"), "of the range; allowed: at most 10 %"),
        (("aux-inlet", "--range", "0 degC", "1 bar"), "--range"),
        (("aux-inlet", "--range", "49 degC", "51 degC"), "--range: found '49 degC' to '51 degC'; allowed: "),
        (("aux-inlet", "-o", "sheet.pdf"), "ends in .html, .csv, .txt"),
        (("aux-inlet", "-o", "{rig}.csv"), "exists"),
        (("aux-inlet", "-o", "/nowhere/sheet.csv"), "is no folder"),
        (("aux-inlet", "--injected", "{rig}"), "row 1"),
        (("aux-inlet", "--points", "0,x"), "--points"),
        (("aux-inlet", "--scans", "1"), "--scans: found '1'; allowed: 2 to 1000: one reading cannot show"),
        (("aux-inlet", "--minutes", "30,5"), "found '30,5'; allowed: whole minutes, 1 to 480"),
        (("aux-inlet", "--lang", "xx"), "--lang xx; allowed: en, es"),
        (("aux-inlet", "--injected", "{list}", "--reconnect", "20"), "--reconnect"),
        (("aux-inlet", "--injected", "{list}", "--reconnect", "2 h"), "--reconnect"),
    ],
)
def test_bad_arguments(
    rig: Path, tmp_path: Path, words: tuple[str, ...], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", StringIO())
    Path(f"{rig}.csv").touch()
    named = {"rig": rig, "list": listed(tmp_path, "50 degC")}
    done = here("loopcheck", rig, *(word.format(**named) for word in words), "--record", tmp_path)
    assert done.returncode == 2, done.stderr
    assert says in done.stderr


# ---- through the daemon and into the record


def proofs(rig: Path, record: Path) -> dict[str, dict[str, Any]]:
    done = here("points", rig, "--proofs", "--json", "--record", record)
    rows = json.loads(done.stdout)
    assert done.returncode == int(any(one["status"] != "proved" for one in (*rows["points"], *rows["alarms"])))
    return {one["point"]: one for one in rows["points"]}


def becomes(rig: Path, record: Path, status: str) -> dict[str, Any]:
    """Wait for the commit that holds the sheet."""
    until(lambda: proofs(rig, record)["aux-inlet"]["status"] == status)
    return proofs(rig, record)["aux-inlet"]


def reason(rig: Path, record: Path) -> str:
    """What the running engine says of the point."""
    done = here("probe", rig, "--once", "--json", "--point", "aux-inlet", "--record", record)
    return str(json.loads(done.stdout)["reason"])


def fresh(watch: Daemon, rig: Path, value: float) -> None:
    """The daemon has seen what the device shows now."""

    def seen() -> bool:
        done = here("probe", rig, "--once", "--json", "--point", "aux-inlet", "--record", watch.record)
        (words,) = [json.loads(line)["words"] for line in done.stdout.splitlines()]
        return bool(words == [round(10 * value)])

    until(seen)


def test_guided_at_a_terminal_through_the_daemon(device: Settable, rig: Path, tmp_path: Path) -> None:
    """As a tech does it: a slip of the finger, one adjustment; the point is under function check meanwhile."""
    record = tmp_path / "record"
    words = ("--record", record, "--points", "0,100", "--scans", "2", "--instrument", INSTRUMENT)
    with daemon(rig, record) as watch:

        def bring(degc: float) -> None:
            device.put(1, round(10 * degc))
            fresh(watch, rig, degc)

        def step(one: Terminal, prompt: str, degc: float, said: str) -> None:
            one.expect(prompt)
            bring(degc)
            one.type(said)
            one.expect("within tolerance")

        assert proofs(rig, record)["aux-inlet"]["status"] == "never"
        with terminal("loopcheck", rig, "aux-inlet", *words) as one:
            one.expect("through the running daemon")
            one.expect(re.escape("as-found 0 %: inject 32 degF; what is injected? [Enter: 32 degF] "))
            until(lambda: reason(rig, record) == "function-check")
            bring(1.0)
            one.type("32 bar")
            one.expect("allowed")
            one.expect("what is injected")
            one.type("")
            one.expect(re.escape("read 33.8 degF, error +1.000% of span: OUT OF tolerance"))
            step(one, "as-found 100 %", 100.0, "100 degC")
            one.expect("type a for as-left")
            one.type("a")
            step(one, "as-left 0 %", 0.1, "")
            one.expect("as-left 100 %")
            bring(99.9)
            until(lambda: "rig.signal-bad:aux-inlet" in watch.states())
            one.type("")
            one.expect("connect the loop again, then press Enter")
            bring(25.0)
            assert reason(rig, record) == "function-check"
            one.type("")
            one.expect("aux-inlet reads 77 degF")
            one.expect("Loop check: PASSED")
            one.expect("the sheet is in the record")
            one.expect("aux-inlet is measured again; raised meanwhile, .* acknowledge: rig.signal-bad:aux-inlet")
            assert one.end() == 0
        until(lambda: reason(rig, record) == "good")
        becomes(rig, record, "proved")
        held = proofs(rig, record)
        assert (held["aux-inlet"]["by"], held["aux-inlet"]["instrument"]) == (getpass.getuser(), INSTRUMENT)
        assert {one["status"] for name, one in held.items() if name != "aux-inlet"} == {"never"}
        assert len(device.clients) == 1
        assert watch.end() == 0
    is_kept(rig, record)


def is_kept(rig: Path, record: Path) -> None:
    """The sheet can be read again, and the record is whole."""
    again = here("loopcheck", rig, "aux-inlet", "--last", "--record", record)
    assert again.returncode == 0
    assert again.stdout.startswith("Loop check: PASSED as left (FAILED as found)\n")
    assert "as found: FAILED, largest error +1.8 degF (+1.00% of span)" in again.stdout
    assert verify(record).verdict == "consistent"
    assert here("replay", record, "--compare").returncode == 0


def test_stopped_half_way_nothing_is_recorded(device: Settable, tmp_path: Path) -> None:
    record = tmp_path / "record"
    rig = small_rig(tmp_path / "rig.toml", device=device.port, scan_ms=1000)  # slow: on a busy machine no read is late
    with daemon(rig, record) as watch:
        with terminal("loopcheck", rig, "aux-inlet", "--record", record) as one:
            one.expect("as-found 0 %")
            one.type("q")
            one.expect("connect the loop again, then press Enter")
            until(lambda: reason(rig, record) == "function-check")
            one.type("")
            one.expect("is measured again")
            one.expect("stopped; no sheet was recorded")
            assert one.end() == 1
        with terminal("loopcheck", rig, "aux-inlet", "--record", record) as one:
            one.expect("as-found 0 %")
            one.interrupt()
            one.expect("is measured again")
            one.expect("what is still injected counts as measured: connect the loop again at once")
            assert one.end() == 130
        assert proofs(rig, record)["aux-inlet"]["status"] == "never"
        assert watch.end() == 0
    assert here("loopcheck", rig, "aux-inlet", "--last", "--record", record).returncode == 3
    assert len(device.clients) == 1


def test_a_check_that_is_over_proves_nothing(device: Settable, rig: Path, tmp_path: Path) -> None:
    """Somebody ended it: what was injected since then was believed, and the tech must hear of it."""
    record = tmp_path / "record"
    with daemon(rig, record) as watch:
        with terminal("loopcheck", rig, "aux-inlet", "--record", record, "--points", "0,100", "--scans", "2") as one:
            one.expect("as-found 0 %")
            assert ask(record, {"do": "check-end", "point": "aux-inlet"})["ok"]
            device.put(1, 0)
            fresh(watch, rig, 0.0)
            one.type("")
            one.expect("stopped; no sheet was recorded: the function check of aux-inlet is over")
            assert one.end() == 1
        assert proofs(rig, record)["aux-inlet"]["status"] == "never"
        watch.end()


def found_right(one: Terminal, device: Settable) -> None:
    """A guided check at 0 and 100 % that finds nothing to adjust, up to the loop's being connected again."""
    for percent, counts in ((0, 0), (100, 1000)):
        one.expect(f"as-found {percent} %")
        device.put(1, counts)
        one.type("")
        one.expect("within tolerance")
    one.expect("type a for as-left")
    one.type("")
    one.expect("connect the loop again")


def test_a_calibrator_left_connected_is_asked_about(device: Settable, rig: Path, tmp_path: Path) -> None:
    """Enter by habit, with the calibrator still holding the last value: the watch would believe it."""
    record = tmp_path / "record"
    with daemon(rig, record) as watch:
        with terminal("loopcheck", rig, "aux-inlet", "--record", record, "--points", "0,100", "--scans", "2") as one:
            found_right(one, device)
            one.type("")
            one.expect("aux-inlet still reads 212 degF, as injected last: is the calibrator off")
            assert reason(rig, record) == "function-check"
            device.put(1, 250)
            one.type("")
            one.expect("aux-inlet reads 77 degF")
            one.expect("Loop check: PASSED")
            assert one.end() == 0
        watch.end()


def test_a_list_says_what_is_still_injected_at_its_end(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record, words = tmp_path / "record", ("--scans", "2", "--reconnect", "20 s")
    with daemon(rig, record) as watch:
        for after, says in (
            (500, "aux-inlet still reads 122 degF, as injected last"),
            (250, "aux-inlet reads 77 degF"),
        ):
            device.put(1, 500)
            fresh(watch, rig, 50.0)
            plays(monkeypatch, lambda: None, lambda counts=after: device.put(1, counts))
            file = listed(tmp_path, "50 degC")
            done = here("loopcheck", rig, "aux-inlet", "--record", record, "--injected", file, *words)
            assert says in done.stderr
        watch.end()


def test_a_range_that_the_watch_does_not_have_is_said(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tech mends the file, proves the point by it and forgets the reload: the watch goes on by the old range."""
    record = tmp_path / "record"
    with daemon(rig, record) as watch:
        rig.write_text(rig.read_text().replace('"100 degC"', '"200 degC"', 1))
        device.put(1, 250)
        plays(monkeypatch, lambda: None)
        file = listed(tmp_path, "50 degC")
        done = here("loopcheck", rig, "aux-inlet", "--record", record, "--scans", "2", "--injected", file)
        assert done.stderr.count("the watch has aux-inlet otherwise than this rig file") == 1
        watch.end()


def test_a_rig_file_taken_in_the_midst_of_a_check_ends_it(device: Settable, rig: Path, tmp_path: Path) -> None:
    """What was read before and after is not one loop, and the crew's values went over to another range."""
    record = tmp_path / "record"
    with daemon(rig, record) as watch:
        with terminal("loopcheck", rig, "aux-inlet", "--record", record, "--points", "0,100", "--scans", "2") as one:
            one.expect("as-found 0 %")
            device.put(1, 0)
            one.type("")
            one.expect("within tolerance")
            one.expect("as-found 100 %")
            rig.write_text(rig.read_text().replace('"100 degC"', '"200 degC"', 1))
            assert here("reload", "--record", record).returncode == 0
            device.put(1, 1000)
            one.type("")
            one.expect("the watch took another definition of aux-inlet in the midst of the check")
            one.expect("connect the loop again, then press Enter")
            device.put(1, 250)
            one.type("")
            one.expect("no sheet was recorded: begin anew")
            assert one.end() == 1
        becomes(rig, record, "never")
        watch.end()


def test_water_lost_behind_a_check_sounds_again(device: Settable, rig: Path, tmp_path: Path) -> None:
    """Acknowledged because the flow was under check; that it is really gone nobody has heard. Replay says the same."""
    record = tmp_path / "record"
    with daemon(rig, record) as watch:
        assert ask(record, {"do": "check-begin", "point": "aux-flow", "minutes": 5, "reason": "x"})["ok"]
        until(lambda: watch.states().get("aux.cooling-lost") == "unacknowledged")
        assert watch.do("acknowledge", "all")["ok"]
        device.put(0, 0)
        assert ask(record, {"do": "check-end", "point": "aux-flow"})["ok"]
        until(lambda: watch.states()["aux.cooling-lost"] == "unacknowledged", within_s=20)
        (lost,) = [one for one in watch.status()["alarms"] if one["alarm"] == "cooling-lost"]
        assert (lost["quality"], lost["value"]) == ("good", 0.0)
        watch.end()
    done = here("replay", record, "--compare")
    assert done.returncode == 0, done.stdout[-500:]
    assert "recall" not in done.stdout  # the door's own word


def test_two_cannot_check_one_point_at_once(device: Settable, rig: Path, tmp_path: Path) -> None:
    """The first to end would end both, with the other still injecting. What was left behind can be taken over."""
    record = tmp_path / "record"
    with daemon(rig, record) as watch:
        with terminal("loopcheck", rig, "aux-inlet", "--record", record, "--by", "tech-1") as one:
            one.expect("as-found 0 %")
            with terminal("loopcheck", rig, "aux-inlet", "--record", record, "--by", "tech-2") as other:
                other.expect("aux-inlet is under function check by .* already .loop check by tech-1.")
                assert other.end() == 3
            until(lambda: reason(rig, record) == "function-check")
            one.process.kill()
        assert reason(rig, record) == "function-check"
        with terminal("loopcheck", rig, "aux-inlet", "--record", record, "--take-over") as one:
            one.expect("as-found 0 %")
            one.type("q")
            one.expect("connect the loop again")
            one.type("")
            one.expect("is measured again")
            assert one.end() == 1
        until(lambda: reason(rig, record) == "good")
        watch.end()
    assert device.writes == 0


def test_what_comes_in_at_another_point_is_said(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Inlet and outlet are swapped at the card: the watch would take what is injected for a measurement."""
    record = tmp_path / "record"
    with daemon(rig, record) as watch:
        fresh(watch, rig, 25.0)
        until_seen = lambda: until(lambda: outlet(rig, record) == 800)  # noqa: E731
        plays(monkeypatch, lambda: None, lambda: (device.put(2, 800), until_seen()))
        file = listed(tmp_path, "25 degC", "80 degC")
        done = here("loopcheck", rig, "aux-inlet", "--record", record, "--scans", "2", "--injected", file)
        assert done.returncode == 1
        says = "but aux-outlet has come to what is injected, 176 degF: are the two loops swapped? The watch takes that"
        assert done.stderr.count("swapped") == 1
        assert says in done.stderr
        watch.end()


def outlet(rig: Path, record: Path) -> int:
    done = here("probe", rig, "--once", "--json", "--point", "aux-outlet", "--record", record)
    return int(json.loads(done.stdout)["words"][0])


def test_a_list_leaves_time_to_connect_the_loop_again(
    rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record, seen = tmp_path / "record", []
    with daemon(rig, record) as watch:
        fresh(watch, rig, 25.0)
        plays(monkeypatch, lambda: None, lambda: seen.append(reason(rig, record)))
        sheet(rig, record, "--injected", listed(tmp_path, "25 degC"), "--reconnect", "20 s", status=1)
        assert seen == ["function-check"]
        until(lambda: reason(rig, record) == "good")
        watch.end()


def test_a_point_read_every_few_scans_is_judged_by_what_was_read_after_the_injection(
    device: Settable, tmp_path: Path
) -> None:
    """Its newest sample may be as old as the time between two readings: from before the calibrator was set."""
    rig, record = small_rig(tmp_path / "rig.toml", device=device.port, scan_ms=200), tmp_path / "record"
    rig.write_text(rig.read_text().replace("address = 1\n", "address = 1\nevery = 10\n"))
    with daemon(rig, record) as watch:
        with terminal("loopcheck", rig, "aux-inlet", "--record", record, "--points", "0,100", "--scans", "2") as one:
            found_right(one, device)
            device.put(1, 250)
            one.type("")
            one.expect("aux-inlet reads 77 degF")  # read after it was connected, though it is read every ten scans
            one.expect("Loop check: PASSED")
            assert one.end() == 0
        (held,) = [json.loads(here("loopcheck", rig, "aux-inlet", "--last", "--json", "--record", record).stdout)]
        assert [len(step["readings"]) for step in held["steps"]] == [2, 2]
        watch.end()


def test_a_change_voids_a_proof_and_its_return_makes_it_valid(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Proved in run 1, another address in run 2, the old one in run 3."""
    record, old = tmp_path / "record", rig.read_text()
    changed = old.replace("address = 1\n", "address = 11\n")
    device.put(11, 250)
    with daemon(rig, record) as watch:
        device.put(1, 500)
        fresh(watch, rig, 50.0)
        plays(monkeypatch, lambda: None)
        assert sheet(rig, record, "--injected", listed(tmp_path, "50 degC"), status=1)["passed"]
        becomes(rig, record, "partial")  # one value tells no wrong zero from a wrong span
        assert "over too little of its range" in here("points", rig, "--proofs", "--record", record).stdout

        def injects(degc: float) -> None:
            device.put(1, round(10 * degc))
            fresh(watch, rig, degc)

        plays(monkeypatch, lambda: injects(20.0), lambda: injects(80.0))
        sheet(rig, record, "--injected", listed(tmp_path, "20 degC", "80 degC"))
        becomes(rig, record, "proved")
        rig.write_text(changed)
        before = proofs(rig, record)["aux-inlet"]
        assert (before["status"], before["void_since"]) == ("void", None)
        watch.end()
        watch.start()
        after = proofs(rig, record)["aux-inlet"]
        assert after["status"] == "void"
        assert after["void_since"] > after["proved"]
        assert "void since" in here("points", rig, "--proofs", "--record", record).stdout
        rig.write_text(old)
        watch.end()
        watch.start()
        assert proofs(rig, record)["aux-inlet"]["status"] == "proved"
        watch.end()


def test_another_device_or_sensor_in_its_place_is_not_proved(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The name may stay, as where two devices' addresses are swapped; what was proved is another loop."""
    record = tmp_path / "record"
    rig.write_text(rig.read_text().replace("address = 1\n", 'address = 1\nserial = "RTD-1"\n'))
    old = rig.read_text()
    with daemon(rig, record) as watch:

        def injects(degc: float) -> None:
            device.put(1, round(10 * degc))
            fresh(watch, rig, degc)

        plays(monkeypatch, lambda: injects(20.0), lambda: injects(80.0))
        found = sheet(rig, record, "--injected", listed(tmp_path, "20 degC", "80 degC"))
        assert found["place"] == f"plc1 at 127.0.0.1:{device.port}, unit 1, holding 1, uint16"
        assert found["signal"].endswith("sensor RTD-1")
        becomes(rig, record, "proved")
        for was, is_ in ((f"port = {device.port}", f"port = {free_port()}"), ("RTD-1", "RTD-2")):
            rig.write_text(old.replace(was, is_))
            assert proofs(rig, record)["aux-inlet"]["status"] == "void"
        rig.write_text(old.replace('serial = "RTD-1"\n', ""))
        assert proofs(rig, record)["aux-inlet"]["status"] == "proved"
        watch.end()


def test_a_failed_check_is_no_proof(
    device: Settable, rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = tmp_path / "record"
    with daemon(rig, record) as watch:
        fresh(watch, rig, 25.0)
        plays(monkeypatch, lambda: None)
        sheet(rig, record, "--injected", listed(tmp_path, "50 degC"), status=1)
        becomes(rig, record, "failed")
        watch.end()
    assert device.writes == 0


# ---- the I/O list at the command line


def test_the_list_out_and_in(rig: Path, tmp_path: Path) -> None:
    out, new = tmp_path / "points.csv", tmp_path / "new.toml"
    assert here("points", rig, "-o", out).returncode == 0
    assert here("points", rig).stdout.replace("\r\n", "\n") == out.read_text(encoding="utf-8")
    done = here("points", rig, "--take", out, "-o", new)
    assert done.returncode == 0, done.stderr
    assert "4 points taken" in done.stderr
    assert f"written to {new}" in done.stderr
    printed = here("points", rig, "--take", out)
    assert "no file is written without -o" in printed.stderr
    assert new.read_bytes() == rig.read_bytes()
    again = here("points", rig, "--take", out, "-o", new)
    assert (again.returncode, again.stderr) == (
        2,
        f"brakewater points: {new} exists; name another file, or say --replace\n",
    )
    assert here("points", rig, "--take", out, "-o", new, "--replace").returncode == 0
    assert not list(tmp_path.glob("*.part"))


def test_a_faulty_list_names_row_and_column_and_writes_nothing(rig: Path, tmp_path: Path) -> None:
    out, new = tmp_path / "points.csv", tmp_path / "new.toml"
    here("points", rig, "-o", out)
    out.write_text(out.read_text(encoding="utf-8").replace("inlet-temperature", "inlet-temprature"), encoding="utf-8")
    done = here("points", rig, "--take", out, "-o", new)
    assert done.returncode == 2
    assert f"{out}:3: row 3, column role: found 'inlet-temprature'" in done.stderr
    assert not new.exists()
    assert here("points", rig, "--take", tmp_path / "nothing.csv").returncode == 2


def test_what_a_list_changes_is_said(rig: Path, tmp_path: Path) -> None:
    """A row that a spreadsheet lost, or a register that slipped a line down, must not pass unseen."""
    rig.write_text(rig.read_text().replace("[[brake]]", SPARE + "[[brake]]", 1))
    rows = here("points", rig).stdout.replace("plc1,holding,1,", "plc1,holding,11,").splitlines()
    taken = [row.replace("ambient-temperature,amb", "air,amb") for row in rows if "tank-level" not in row]
    (tmp_path / "points.csv").write_text("\n".join(taken), encoding="utf-8")
    done = here("points", rig, "--take", tmp_path / "points.csv")
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines()[1:] == ["new: air", "gone: ambient-temperature, tank-level", "changed: aux-inlet"]
    (tmp_path / "points.csv").write_text("\n".join(rows).replace("holding,11,", "holding,1,"), encoding="utf-8")
    assert len(here("points", rig, "--take", tmp_path / "points.csv").stderr.splitlines()) == 1


SPARE = """
[[point]]
name = "ambient-temperature"
role = "ambient-temperature"
device = "plc1"
table = "holding"
address = 20
signal = { kind = "linear", raw = [0, 1000], range = ["0 degC", "100 degC"] }

[[point]]
name = "tank-level"
role = "tank-level"
device = "plc1"
table = "holding"
address = 21
signal = { kind = "linear", raw = [0, 1000], range = ["0 m", "3 m"] }

"""


def test_columns_are_explained(rig: Path) -> None:
    said = here("points", rig, "--columns").stdout
    assert "signal.raw" in said
    assert "semicolons" in said


def test_proofs_without_a_record(rig: Path, tmp_path: Path) -> None:
    done = here("points", rig, "--proofs", "--record", tmp_path / "nowhere")
    assert done.returncode == 1
    assert "never" in done.stdout
