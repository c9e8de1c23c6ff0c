"""The I/O list out and in: a round trip loses nothing, comments stay, and every fault names row and column."""

import csv
import tomllib
from dataclasses import replace
from datetime import date
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from brakewater.errors import RigFileError
from brakewater.rig import Rig, parse
from brakewater.rig.cells import cell, text_cell, text_value, toml, value
from brakewater.rig.point_blocks import blocks, changed, same
from brakewater.rig.points_csv import COLUMNS, point_keys, points_csv, raw_points
from brakewater.rig.points_into import points_into

CONFIG = Path(__file__).parents[2] / "config"
TEXTS = {name: (CONFIG / f"{name}.toml").read_text(encoding="utf-8") for name in ("demo", "template")}

ODD = ["", " a", "1", "-0.5", "true", "TRUE", "nan", "[1]", "a ; b", "2031-02-03", "=1+1", "'x'", "a#b", "5 # c"]
SCALARS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(ODD),
    st.integers(-(10**6), 10**6),
    st.floats(allow_nan=False),
    st.booleans(),
    st.dates(),
)  # fmt: skip
VALUES = st.recursive(
    SCALARS, lambda one: st.lists(one, max_size=3) | st.dictionaries(st.text(max_size=4), one), max_leaves=5
)


def into(text: str, list_text: str) -> str:
    return points_into(text, list_text, file="rig.toml", list_file="points.csv")


def table(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(points_csv(text))))


def written(rows: list[dict[str, str]], delimiter: str = ",") -> str:
    out = StringIO()
    writer = csv.DictWriter(out, list(rows[0]), delimiter=delimiter)
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def like(rig: Rig) -> Rig:
    """What counts of a rig, whatever its text and the order of its points."""
    return replace(rig, text="", file="", points=tuple(sorted(rig.points, key=lambda one: one.name)), alarms=())


def without_points(text: str) -> str:
    lines, gone = text.split("\n"), set()
    for block in blocks(lines):
        if block.is_point:
            gone.update(range(block.first, block.end))
    return "\n".join(line for at, line in enumerate(lines) if at not in gone)


@given(VALUES)
def test_a_cell_gives_back_what_went_in(held: Any) -> None:
    assert same(value(cell(held)), held)
    assert same(tomllib.loads(f"v = {toml(held)}")["v"], held)


@given(st.text(max_size=20))
def test_a_text_cell_gives_back_its_text(held: str) -> None:
    assert text_value(text_cell(held)) == held


@pytest.mark.parametrize(
    ("held", "shown"),
    [
        ([0, 27648], "0 ; 27648"),
        (["0 gal/min", "150 gal/min"], "0 gal/min ; 150 gal/min"),
        (0.01, "0.01"),
        (True, "true"),
        (date(2031, 2, 3), "2031-02-03"),
        ("2031-02-03", '"2031-02-03"'),
        ("degF", "degF"),
        (["one"], "one ;"),
        ([], "[]"),
        ("=cmd", '"=cmd"'),
    ],
)
def test_cells_as_a_spreadsheet_shows_them(held: Any, shown: str) -> None:
    assert cell(held) == shown
    assert same(value(shown), held)


def test_a_spreadsheets_true_is_true() -> None:
    assert value("TRUE") is True
    assert value(" 0;27648 ") == [0, 27648]


@pytest.mark.parametrize("name", TEXTS)
def test_out_and_in_again_changes_no_letter(name: str) -> None:
    assert into(TEXTS[name], points_csv(TEXTS[name])) == TEXTS[name]


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_all_points_come_back_from_the_list_alone(name: str, delimiter: str) -> None:
    """Every point is cut out of the rig file and put back from the CSV."""
    bare = without_points(TEXTS[name])
    assert list(raw_points(tomllib.loads(bare))) == []
    made = into(bare, "\ufeff" + written(table(TEXTS[name]), delimiter))
    assert like(parse(made)) == like(parse(TEXTS[name]))
    assert into(made, points_csv(made)) == made


def test_the_list_has_every_field_of_a_point_and_one_row_a_point() -> None:
    rows = table(TEXTS["demo"])
    assert len(rows) == sum(1 for _ in raw_points(tomllib.loads(TEXTS["demo"])))
    assert {"brake", "signal.kind", *point_keys()} - {"signal", "trim"} <= rows[0].keys()
    flow = next(row for row in rows if row["name"] == "aux-flow")
    assert (flow["brake"], flow["address"], flow["signal.raw"]) == ("aux", "0", "0 ; 27648")
    assert flow["signal.range"] == "0 gal/min ; 150 gal/min"


def test_every_key_of_a_point_is_described() -> None:
    assert set(point_keys()) <= {column.split(".")[0] for column in COLUMNS}


def test_a_changed_cell_changes_one_line_and_keeps_its_comment() -> None:
    rows = table(TEXTS["template"])
    row = next(row for row in rows if row["name"] == "tank-temperature")
    row["words"] = "high-first"
    made = into(TEXTS["template"], written(rows))
    before, after = TEXTS["template"].split("\n"), made.split("\n")
    different = [(one, two) for one, two in zip(before, after, strict=True) if one != two]
    comment = " # order of the registers of a longer number: high-first (default) or low-first"
    assert different == [(f'words = "low-first"{comment}', f'words = "high-first"{comment}')]


def test_a_row_taken_out_and_a_row_put_in() -> None:
    rows = [row for row in table(TEXTS["demo"]) if row["name"] != "ambient-temperature"]
    fresh = dict.fromkeys(rows[0], "")
    fresh |= {
        "brake": "aux", "name": "aux-supply", "role": "supply-pressure", "device": "plc1", "table": "holding",
        "address": "40", "type": "int16", "serial": "00123", "signal.kind": "linear", "signal.raw": "0;1000",
        "signal.range": "0 bar;10 bar",
    }  # fmt: skip
    made = into(TEXTS["demo"], written([*rows, fresh]))
    rig = parse(made)
    names = [point.name for point in rig.points]
    assert "ambient-temperature" not in names
    new = next(point for point in rig.points if point.name == "aux-supply")
    assert (new.brake, new.address, new.serial) == ("aux", 40, "00123")
    gone = [line for line in TEXTS["demo"].split("\n") if line not in made.split("\n")]
    assert all("ambient" in line or "-400" in line or line.startswith("address = 11") for line in gone)
    assert all(line in made for line in TEXTS["demo"].split("\n") if line.startswith("#"))
    assert made.count("\n\n\n") == TEXTS["demo"].count("\n\n\n")


def test_the_first_point_of_the_whole_rig_follows_the_devices() -> None:
    made = into(without_points(TEXTS["demo"]), points_csv(TEXTS["demo"]))
    heads = [line.strip() for line in made.split("\n") if line.startswith("[")]
    assert heads[heads.index("[[point]]") - 1] == "[[device]]"
    assert "[[device]]" not in heads[heads.index("[[point]]") :]


SUBTABLES = """
[[brake.point]] # of the brake
name = "aux-supply"
role = "supply-pressure"
device = "plc1"
table = "holding"
address = 40
# on the manifold
[brake.point.signal]
kind = "linear"
raw = [
  0,
  1000,
]
range = ["0 bar", "10 bar"]

# the end
"""


def test_tables_in_other_forms_are_kept_and_rewritten_with_their_comments() -> None:
    text = TEXTS["demo"].replace("[[lamp]]", SUBTABLES + "\n[[lamp]]", 1)
    parse(text)
    assert into(text, points_csv(text)) == text
    rows = table(text)
    next(row for row in rows if row["name"] == "aux-supply")["signal.raw"] = "0 ; 2000"
    made = into(text, written(rows))
    assert "[[brake.point]] # of the brake\n# on the manifold\n" in made
    assert "\n# the end\n" in made
    point = next(keys for _, keys in raw_points(tomllib.loads(made)) if keys["name"] == "aux-supply")
    assert point["signal"] == {"kind": "linear", "raw": [0, 2000], "range": ["0 bar", "10 bar"]}


def test_comments_with_signs_that_look_like_text() -> None:
    lines = ["[[point]]", 'serial = "a#b" # new # one', "address = 1"]
    before = {"serial": "a#b", "address": 1}
    after = {"serial": "c", "address": 1, "every": 5}
    assert changed(lines, before, after) == ["[[point]]", 'serial = "c" # new # one', "address = 1", "every = 5"]


FAULTS = {
    "a word for an address": ("aux-flow", "address", "x", "row {row}, column address", "'x'"),
    "an unknown device": ("aux-flow", "device", "plc7", "row {row}, column device", "'plc7'"),
    "a misspelt role": ("aux-inlet", "role", "inlet-temprature", "row {row}, column role", "inlet-temprature"),
    "an unknown unit": ("aux-flow", "signal.range", "0 gal ; 150 gal", "row {row}, column signal.range", "gal"),
    "one count": ("aux-flow", "signal.raw", "5", "row {row}, column signal.raw", "5"),
    "an unknown brake": ("aux-flow", "brake", "main", "row {row}, column brake", "'main'"),
    "no name": ("aux-flow", "name", "", "row {row}, column name", "nothing"),
    "a name twice": ("aux-flow", "name", "aux-inlet", "row {other}, column name", "aux-inlet"),
    "an odd name": ("hook-load", "name", "Hook Load", "row {row}, column name", "Hook Load"),
    "no table": ("aux-flow", "table", "", "row {row}, column table", "nothing"),
    "a signal's key that is none": ("aux-flow", "signal.unit", "bar", "row {row}, column signal.unit", "unknown key"),
}


@pytest.mark.parametrize(("name", "column", "text", "where", "found"), FAULTS.values(), ids=FAULTS.keys())
def test_faults_name_row_and_column_what_was_found_and_what_is_allowed(
    name: str, column: str, text: str, where: str, found: str
) -> None:
    rows = table(TEXTS["demo"])
    at = next(index for index, row in enumerate(rows) if row["name"] == name)
    other = next((index for index, row in enumerate(rows) if row["name"] == text), 0)
    rows[at][column] = text
    with pytest.raises(RigFileError) as error:
        into(TEXTS["demo"], written(rows))
    fault = error.value.faults[0]
    assert fault.file == "points.csv"
    assert fault.key == where.format(row=at + 2, other=max(at, other) + 2)
    assert fault.line == int(fault.key.split()[1].rstrip(","))
    assert found in fault.found
    assert fault.allowed


def test_every_fault_is_told_at_once() -> None:
    rows = table(TEXTS["demo"])
    rows[0]["device"], rows[1]["type"] = "plc7", "int8"
    with pytest.raises(RigFileError) as error:
        into(TEXTS["demo"], written(rows))
    assert [fault.key for fault in error.value.faults] == ["row 2, column device", "row 3, column type"]


@pytest.mark.parametrize(
    ("list_text", "where", "hint"),
    [
        ("", "row 1, column name", ""),
        ("role,device\nx,y\n", "row 1, column name", ""),
        ("name,adress\na,1\n", "row 1, column adress", 'did you mean "address"?'),
        ("name,role,role\na,x,y\n", "row 1, column role", ""),
        ('name,role\na,"x\n', "row 2, column name", ""),
        ("name,role\na,b,c\n", "row 2, column role", ""),
        ("name,signal.ka.nd\na,b\n", "row 2, column", ""),
    ],
)
def test_a_list_that_is_none(list_text: str, where: str, hint: str) -> None:
    with pytest.raises(RigFileError) as error:
        into(TEXTS["demo"], list_text)
    told = [fault for fault in error.value.faults if fault.key.startswith(where)]
    assert told, error.value
    assert hint in told[0].hint


def test_a_point_that_a_brake_cannot_do_without_is_missed() -> None:
    rows = [row for row in table(TEXTS["demo"]) if row["name"] != "aux-level"]
    with pytest.raises(RigFileError) as error:
        into(TEXTS["demo"], written(rows))
    (fault,) = error.value.faults
    assert (fault.file, fault.key) == ("rig.toml with points.csv", "brake[0]")


def test_points_written_in_another_form_are_refused_not_lost() -> None:
    text = "point = []\n" + TEXTS["demo"]
    with pytest.raises(RigFileError):
        into(text, points_csv(TEXTS["demo"]))
    with pytest.raises(RigFileError):
        into("schema = ", "name\na\n")
