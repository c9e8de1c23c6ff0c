"""The loop sheet: figures by hand, its three forms, what may be injected, and the hash that a proof stands for."""

import csv
import json
import re
from argparse import Namespace
from dataclasses import replace
from html.parser import HTMLParser
from io import StringIO
from pathlib import Path

import pytest

from brakewater.cli.expected import ExpectError
from brakewater.cli.injected import injection, loop_range, read_injections, suggestion
from brakewater.cli.loop_outcome import _fitting
from brakewater.cli.loopcheck import _course
from brakewater.quality import Reason
from brakewater.record.journal import Journal
from brakewater.review import loop_page
from brakewater.review.loop_sheet import Sheet, Step, document, sheet_of, ways
from brakewater.review.proofs import SHEET, hashes, proofs
from brakewater.rig import Point, Rig, parse
from brakewater.stream import Command, Request
from brakewater.units import utc_text
from brakewater.wording import ENGLISH, LANGUAGES
from record_streams import UTC, start

DEMO = (Path(__file__).parents[2] / "config" / "demo.toml").read_text(encoding="utf-8")
GAL_MIN = 3.785411784e-3 / 60


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse(DEMO)


def point(rig: Rig, name: str) -> Point:
    return next(one for one in rig.points if one.name == name)


def step(injected: float, *readings: float, part: str = "as-found", way: str = "up", worst: int = 0) -> Step:
    return Step(
        part="as-left" if part == "as-left" else "as-found", way="down" if way == "down" else "up",
        said=f"{injected} degC", injected=injected, readings=readings, worst=worst,
    )  # fmt: skip


def sheet(*steps: Step, adjusted: bool = False, tolerance: float = 0.5, asks_settled: bool = True) -> Sheet:
    return Sheet(
        point="aux-inlet", rig="rig-4", definition="abc", place="plc1 unit 1, input 2, uint16", signal="Pt100",
        unit="degC", factor=1.0, offset=0.0, low=0.0, high=100.0, tolerance=tolerance, by="tech",
        instrument='decade box "7" <A&B>', began="2031-02-03T04:05:06.200Z", scans=2, adjusted=adjusted, steps=steps,
        asks_settled=asks_settled,
    )  # fmt: skip


UP_AND_DOWN = (
    step(0.0, 0.1, 0.3),
    step(50.0, 50.2, 50.4),
    step(100.0, 99.8, 100.0),
    step(50.0, 50.5, 50.5, way="down"),
    step(0.0, 0.2, 0.2, way="down"),
)


def test_figures_of_a_sheet_by_hand() -> None:
    one = sheet(*UP_AND_DOWN)
    errors = [each.error for each in one.steps]
    assert errors == pytest.approx([0.2, 0.3, -0.1, 0.5, 0.2])
    assert one.steps[0].scatter == pytest.approx(0.2)
    assert one.worst("as-found") == pytest.approx(0.5)
    assert one.hysteresis("as-found") == pytest.approx(0.2)  # 50.5 against 50.3
    assert one.share(0.5) == pytest.approx(0.005)
    assert one.passes("as-found")  # 0.5 stands on the tolerance
    assert one.passed


@pytest.mark.parametrize(
    ("steps", "adjusted", "found", "left"),
    [
        ((step(50.0, 50.51),), False, False, False),
        ((step(50.0, 51.0), step(50.0, 50.1, part="as-left")), True, False, True),
        ((step(50.0, 50.1), step(50.0, 51.0, part="as-left")), True, True, False),
        ((step(50.0, worst=Reason.SENSOR_OPEN),), False, False, False),
        ((step(50.0, 50.0, worst=Reason.SENSOR_OPEN),), False, False, False),
        ((step(50.0, 50.0, worst=Reason.UNDER_RANGE),), False, True, True),
        ((), False, False, False),
        ((step(50.0, 50.0),), True, True, False),
    ],
)
def test_a_loop_passes_as_it_was_left(steps: tuple[Step, ...], *, adjusted: bool, found: bool, left: bool) -> None:
    one = sheet(*steps, adjusted=adjusted)
    assert (one.passes("as-found"), one.passed) == (found, left)


@pytest.mark.parametrize(("values", "proves"), [((50.0,), False), ((30.0, 79.0), False), ((25.0, 75.0), True)])
def test_too_little_of_the_range_proves_nothing(values: tuple[float, ...], *, proves: bool) -> None:
    one = sheet(*(step(value, value) for value in values))
    assert (one.passed, one.proves) == (True, proves)
    assert document(one)["proves"] is proves
    said = loop_page.text(one)
    assert ("PASSED" in said, "NOT PROVED" in said) == (proves, not proves)


@pytest.mark.parametrize(
    ("values", "proves"), [((20.0, 30.0), False), ((20.0, 69.0), False), ((20.0, 70.0), True), ((0.0, 100.0), True)]
)
def test_a_narrow_range_asked_for_proves_no_thermometer(values: tuple[float, float], *, proves: bool) -> None:
    """Its signal names none, so --range could be a degree; cooling water has 0 to 100 degC."""
    steps = [step(value, value) for value in values]
    one = replace(sheet(*steps), low=values[0], high=values[1], reached=100.0)
    assert (one.passed, one.proves, sheet_of(document(one)).proves) == (True, proves, proves)
    assert ("of the 100 degC that this sensor meets" in loop_page.text(one)) is not proves
    old = {key: value for key, value in document(one).items() if key != "reached"}
    assert sheet_of(old).proves, "sheets of before say what they said"


RAMP = step(50.0, 48.0, 49.0, 51.0, 52.0), step(100.0, 100.0, 100.0)
NOISE = step(50.0, 48.0, 52.0, 48.2, 51.8), step(100.0, 100.0, 100.0)


@pytest.mark.parametrize(("steps", "asks", "passes"), [(RAMP, True, False), (RAMP, False, True), (NOISE, True, True)])
def test_a_value_read_on_its_way_to_another_proves_nothing(
    steps: tuple[Step, ...], *, asks: bool, passes: bool
) -> None:
    """Its mean may be right by chance; sheets of before did not ask, and say what they said."""
    one = sheet(*steps, asks_settled=asks)
    assert (one.passed, sheet_of(document(one)).passed) == (passes, passes)
    assert ("FAIL: moves" in loop_page.text(one)) == (not passes)
    old = {key: value for key, value in document(one).items() if key != "asks_settled"}
    assert sheet_of(old).passed


def test_a_sheet_of_very_many_scans_keeps_in_the_record_whether_it_moved() -> None:
    drift = [50.0 + 2.0 * at / 999 for at in range(1000)]
    whole = sheet(*(replace(step(51.0, *drift), said=f"{at}") for at in range(5)), tolerance=0.9)
    kept = _fitting(document(whole))
    assert len(json.dumps(kept)) < 60_000
    (one, *_), (other, *_) = whole.steps, sheet_of(kept).steps
    assert (other.mean, other.moved) == pytest.approx((one.mean, one.moved))
    assert not sheet_of(kept).passed
    assert [each["passed"] for each in kept["steps"]] == [False] * 5


def test_ways() -> None:
    assert ways([0.0, 25.0, 50.0, 50.0, 25.0, 25.0, 0.0]) == ["up", "up", "up", "up", "down", "down", "down"]
    assert ways([]) == []


def test_a_document_gives_its_sheet_back() -> None:
    one = sheet(*UP_AND_DOWN, step(1.0, worst=Reason.SENSOR_OPEN))
    assert sheet_of(document(one)) == one
    assert document(one)["passed"] is False
    with pytest.raises(KeyError):
        sheet_of({})


def test_csv_has_a_row_a_step_and_each_stands_for_itself() -> None:
    rows = list(csv.DictReader(StringIO(loop_page.csv_text(sheet(*UP_AND_DOWN)))))
    assert len(rows) == len(UP_AND_DOWN)
    last = rows[-1]
    assert (last["way"], last["injected [degC]"], last["mean [degC]"], last["error [degC]"]) == (
        "down",
        "0",
        "0.2",
        "+0.2",
    )
    assert (last["result"], last["loop"], last["who"]) == ("pass", "passed", "tech")
    assert last["instrument"] == 'decade box "7" <A&B>'


def test_plain_text() -> None:
    said = loop_page.text(sheet(*UP_AND_DOWN))
    assert said.startswith("Loop check: PASSED\n")
    assert "as found: passed, largest error +0.5 degC (+0.50% of span), hysteresis 0.2 degC (0.20%)" in said
    assert "no: as found is as left" in said


class Page(HTMLParser):
    """What a browser would fetch, and whether every tag is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.fetched += [str(value) for name, value in attrs if name in ("src", "href")]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_is_whole_and_stands_alone() -> None:
    failed = sheet(step(50.0, 51.0), step(50.0, 52.0, part="as-left"), adjusted=True)
    text = loop_page.html(failed)
    page = Page()
    page.feed(text)
    assert (page.open, page.fetched) == ([], [])
    assert "FAILED" in text
    assert "@page" in text
    assert not re.search(r"https?:|url\(", text)
    assert "decade box &quot;7&quot; &lt;A&amp;B&gt;" in text
    assert text.count("<table>") == 2
    assert "not a safety instrumented system" in text


@pytest.mark.parametrize(
    ("name", "said", "value"),
    [
        ("aux-flow", "75 gal/min", 75 * GAL_MIN),
        ("aux-flow", "12 mA", 75 * GAL_MIN),  # the middle of 0 to 150
        ("aux-flow", "4mA", 0.0),
        ("aux-flow", "25 %", 37.5 * GAL_MIN),
        ("aux-inlet", "84 degF", (84 - 32) / 1.8),
        # IEC 60751, table of a Pt100: 138.51 ohm at 100 degC; 138.5055 by its formula.
        ("aux-inlet", "138.5055 ohm", 100.0),
        ("aux-inlet", "100 ohms", 0.0),
        ("aux-in-service", "on", 1.0),
    ],
)
def test_what_may_be_injected(rig: Rig, name: str, said: str, value: float) -> None:
    one = point(rig, name)
    assert injection(one, said, loop_range(one, None)) == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("aux-flow", "100 ohm"),
        ("aux-inlet", "12 mA"),
        ("aux-flow", "75"),
        ("aux-flow", "9 degF"),
        ("aux-in-service", "5"),
        ("aux-flow", "200 %"),  # a slip of the finger would only fail the loop
        ("aux-flow", "750 gal/min"),
        ("aux-flow", "-1 mA"),
        ("aux-inlet", "1840 degF"),
    ],
)
def test_what_may_not(rig: Rig, name: str, said: str) -> None:
    one = point(rig, name)
    with pytest.raises(ExpectError, match="allowed"):
        injection(one, said, loop_range(one, None))


@pytest.mark.parametrize(
    ("name", "percent", "shown"),
    [
        ("aux-flow", 25.0, ("37.5 gal/min", "8.000 mA")),
        ("aux-inlet", 50.0, ("122 degF", "119.397 ohm")),  # 50 degC: 119.397125 ohm, IEC 60751
        ("aux-in-service", 100.0, ("on", "")),
        ("ambient-temperature", 0.0, ("-40 degF", "")),
    ],
)
def test_what_is_suggested(rig: Rig, name: str, percent: float, shown: tuple[str, str]) -> None:
    one = point(rig, name)
    assert suggestion(one, percent, loop_range(one, None), "us") == shown


def test_a_contact_is_asked_for_off_and_on_alone(rig: Rig) -> None:
    args = Namespace(points=(0.0, 25.0, 50.0, 75.0, 100.0), down=True)
    assert _course(point(rig, "aux-in-service"), args) == (0.0, 100.0, 0.0)
    assert _course(point(rig, "aux-flow"), args) == (0.0, 25.0, 50.0, 75.0, 100.0, 75.0, 50.0, 25.0, 0.0)


def test_a_range_must_be_known(rig: Rig) -> None:
    load = point(rig, "hook-load")
    with pytest.raises(ExpectError, match="--range"):
        loop_range(load, None)
    assert loop_range(load, ["0 klbf", "500 klbf"])[1] == pytest.approx(500 * 4448.2216152605)
    with pytest.raises(ExpectError, match="equal"):
        loop_range(load, ["5 klbf", "5 klbf"])


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_list_of_injections(rig: Rig, tmp_path: Path, delimiter: str) -> None:
    file, one = tmp_path / "injected.csv", point(rig, "aux-flow")
    text = "injected,wait,part\r\n4 mA,2 s,\r\n20 mA,,as-found\r\n20 mA,,as-left\r\n"
    file.write_text(text.replace(",", delimiter), encoding="utf-8")
    found = read_injections(file, one, loop_range(one, None))
    assert [(each.said, each.wait_s, each.part) for each in found] == [
        ("4 mA", 2.0, "as-found"), ("20 mA", 0.0, "as-found"), ("20 mA", 0.0, "as-left"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no rows"),
        ("value\n4 mA\n", "row 1: found columns value; allowed: injected, wait, part"),
        ("injected,wiat\n4 mA,1 s\n", "row 1"),
        ("injected\n4 mA\n4 ohm\n", "row 3, column injected"),
        ("injected,wait\n4 mA,5\n", "row 2, column wait"),
        ("injected,wait\n4 mA,2 h\n", "row 2, column wait"),
        ("injected,part\n4 mA,left\n", "row 2, column part"),
        ("injected,part\n4 mA,as-left\n5 mA,as-found\n", "as-found below as-left"),
        ("injected,part\n4 mA,as-left\n", "no as-found"),
        ("injected;wait\n4 mA;2 s\n12,5 mA;2 s\n", "row 3, column injected: injected: aux-flow: found '12,5 mA'"),
        ("injected\n4 mA\n12,5 mA\n", "row 3: found '5 mA' beyond the last column; allowed: injected, with a point"),
    ],
)
def test_a_bad_list_names_row_and_column(rig: Rig, tmp_path: Path, text: str, says: str) -> None:
    file, one = tmp_path / "injected.csv", point(rig, "aux-flow")
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ExpectError) as error:
        read_injections(file, one, loop_range(one, None))
    assert says in str(error.value)


CHANGES = {
    "address": ('name = "aux-inlet"', "address = 2\n", "address = 20\n"),
    "range": ('name = "aux-flow"', "150 gal/min", "160 gal/min"),
    "raw": ('name = "aux-level"', "27648", "32767"),
    "type": ('name = "aux-inlet"', '"uint16"', '"int16"'),
    "words": ('name = "hook-load"', '"high-first"', '"low-first"'),
    "bytes": ('name = "hook-load"', 'words = "high-first"', 'bytes = "low-first"'),
    "unit": ('name = "plc1"', "unit = 1\n", "unit = 2\n"),
    "trim": ('name = "aux-inlet"', "address = 2\n", "address = 2\ntrim = { gain = 1.01 }\n"),
}  # fmt: skip


@pytest.mark.parametrize(("after", "old", "new"), CHANGES.values(), ids=CHANGES.keys())
def test_a_change_that_a_reading_depends_on_voids_the_proof(rig: Rig, after: str, old: str, new: str) -> None:
    head, mark, tail = DEMO.partition(after)
    assert old in tail
    changed = hashes(parse(head + mark + tail.replace(old, new, 1)))
    before = hashes(rig)
    name = after.split('"')[1]
    different = {key for key, held in before.items() if changed[key] != held}
    assert different == ({name} if name in before else set(before))


def test_serial_numbers_cadence_and_the_file_itself_are_not_in_the_hash(rig: Rig) -> None:
    more = 'serial = "A7"\nname = "aux-inlet"\nevery = 2\ndamping = "2 s"'
    text = DEMO.replace('name = "aux-inlet"', more).replace("#", "# more")
    assert hashes(parse(text)) == hashes(rig)


def test_the_hash_of_a_proof_does_not_drift() -> None:
    """Recorded proofs must stay valid over versions of the program: this hash may never change."""
    held = hashes(parse(DEMO))
    assert {name: held[name] for name in PINNED} == PINNED


PINNED = {"aux-flow": "ad2bf494947910a2", "aux-inlet": "73171e7807000e0f", "hook-load": "8ed33efcbefc0932"}


def test_a_step_replaced(rig: Rig) -> None:
    one = sheet(*UP_AND_DOWN)
    assert replace(one, tolerance=0.4).passed is False
    assert rig.name == one.rig


def test_a_page_in_another_language_says_the_same_in_it() -> None:
    words, failed = LANGUAGES["es"], sheet(step(50.0, 51.0), step(50.0, 52.0, part="as-left"), adjusted=True)
    text = loop_page.html(failed, words, "es")
    assert '<html lang="es">' in text
    for name in ("loop-failed", "loop-head-scatter", "loop-witness", "loop-tolerance", "caution-1"):
        assert words.word(name) in text
        assert ENGLISH.word(name) not in text
    assert loop_page.csv_text(failed).splitlines()[0].startswith("point,read at,signal,"), "for machines, in English"


def test_a_sheet_that_was_refused_proves_nothing(rig: Rig, tmp_path: Path) -> None:
    """One that came too late; and one sent again after a newer one, by which the newer stands."""
    found = {"point": "aux-inlet", "definition": hashes(rig)["aux-inlet"]}
    first, failed = ({"point": "aux-inlet", SHEET: {**found, "passed": passed}} for passed in (True, False))
    late = {**first, "t": utc_text(UTC - 120 * 10**9)}
    with Journal(tmp_path) as journal:
        journal.begin(start(rig_toml=DEMO))
        for at, (number, args) in enumerate((("a", late), ("b", first), ("c", failed), ("b", first)), 1):
            request = Request(id=number, actor="tech", do="loop-sheet", args=args)
            journal.append(Command(run=1, input=at, t_ns=at, utc_ns=UTC + at, request=request))
            assert journal.wait_committed(10)
            seen = {one.point: one.status for one in proofs(rig, tmp_path)}["aux-inlet"]
            assert seen == ("never", "proved", "failed", "failed")[at - 1]


def test_a_sheet_of_another_definition_than_is_watched_is_void_from_the_first(rig: Rig, tmp_path: Path) -> None:
    """Checked by a rig file that the watch does not have: where it is held against the watch's, no file is to blame."""
    told = {"point": "aux-inlet", "definition": "of another file", "passed": True, "proves": True}
    request = Request(id="a", actor="tech", do="loop-sheet", args={"point": "aux-inlet", SHEET: told})
    with Journal(tmp_path) as journal:
        journal.begin(start(rig_toml=DEMO))
        journal.append(Command(run=1, input=1, t_ns=1, utc_ns=UTC + 60 * 10**9, request=request))
        assert journal.wait_committed(10)
        found = {one.point: one for one in proofs(rig, tmp_path)}["aux-inlet"]
    assert (found.status, found.void_since) == ("void", utc_text(UTC + 60 * 10**9))
    assert "this rig file" not in found.says
