"""Another system's hook and block: what is read, what is refused, and where its clock is put."""

from pathlib import Path

import numpy as np
import pytest

from brakewater.errors import StorageError
from brakewater.review.outside import FAR_S, Hoisted, laid_over, proposed, read
from brakewater.review.samples import TOTALS, VALUES, Samples

HEAD = 'utc,"hook-load [klbf]","block-position [ft]"\n'
BEGIN_S = 1_900_000_000


def stands(seconds: int, cycle: int = 140) -> tuple[np.ndarray, np.ndarray]:
    """Load in N and block in m, a stand lowered in the first 30 s of every cycle, at uneven times."""
    starts = np.cumsum([cycle + 7 * (k * k % 5) for k in range(seconds // cycle + 2)])
    load, block = np.full(seconds, 200e3), np.full(seconds, 30.0)
    for start in starts:
        part = slice(start, min(seconds, start + 30))
        block[part] = np.linspace(30.0, 1.0, 30)[: max(0, seconds - start)]
        load[part] = 900e3
    return load, block


def washed(load: np.ndarray, block: np.ndarray) -> np.ndarray:
    """Heat as a mixed housing of 31 s and a thermometer of 8 s would show it."""
    heat, seen, found = 0.0, 0.0, []
    power = (load - 200e3) * np.maximum(-np.gradient(block), 0.0)
    for watts in power:
        heat += (watts - heat) / 31.0
        seen += (heat - seen) / 8.0
        found.append(seen)
    return np.array(found)


def samples(heat: np.ndarray) -> Samples:
    n = np.arange(len(heat))
    values = {name: np.full(len(heat), np.nan) for name in VALUES} | {"heat_w": heat}
    utc_ns = (BEGIN_S + n) * 1_000_000_000
    return Samples(
        t_ns=n * 1_000_000_000, utc_ns=utc_ns, run=n * 0 + 1, input=n * 5 + 1, values=values,
        totals=dict.fromkeys(TOTALS, n * 0),
    )  # fmt: skip


@pytest.mark.parametrize("late_s", [0, 37, -420, 1100])
def test_the_offset_is_found_from_the_heat(late_s: int) -> None:
    load, block = stands(3000)
    random = np.random.default_rng(3)
    heat = washed(load, block) + random.normal(0.0, 5e3, 3000)
    theirs = Hoisted(utc_s=BEGIN_S - late_s + np.arange(3000.0), load_n=load, block_m=block)
    told = proposed(samples(heat), theirs)
    assert told is not None
    assert told.clear
    assert told.offset_s == pytest.approx(late_s, abs=6)


def test_where_nothing_fits_it_says_so() -> None:
    load, block = stands(3000)
    theirs = Hoisted(utc_s=BEGIN_S + np.arange(3000.0), load_n=load, block_m=block)
    told = proposed(samples(np.random.default_rng(1).normal(0.0, 2e3, 3000)), theirs)
    assert told is None or not told.clear
    resting = Hoisted(utc_s=theirs.utc_s, load_n=np.full(3000, 2e5), block_m=np.full(3000, 1.0))
    assert proposed(samples(washed(load, block)), resting) is None
    assert proposed(samples(np.zeros(100)), theirs) is None
    assert FAR_S == 1800


def test_values_are_laid_over_by_time_and_holes_stay_holes() -> None:
    theirs = Hoisted(
        utc_s=BEGIN_S + np.array([10.0, 12.0, 40.0, 42.0]), load_n=np.array([1.0, 3.0, 5.0, 7.0]), block_m=np.zeros(4)
    )
    found = laid_over(samples(np.zeros(60)), theirs, 5.0).values["load_n"]
    assert found[[15, 16, 17, 46, 47]].tolist() == [1.0, 2.0, 3.0, 6.0, 7.0]
    assert np.isnan(found[[0, 14, 18, 30, 44, 48]]).all()


def test_a_file_is_read_in_its_own_units(tmp_path: Path) -> None:
    file = tmp_path / "hoist.csv"
    file.write_text(HEAD + "2031-02-03T04:05:06Z,100,10\n1927857907.5,200,20\n")
    found = read(file)
    assert found.utc_s.tolist() == [1927857906.0, 1927857907.5]
    assert found.load_n.tolist() == pytest.approx([444822.16, 889644.32], abs=0.01)
    assert found.block_m.tolist() == pytest.approx([3.048, 6.096])


def test_a_reading_that_the_other_system_lacked_is_a_hole(tmp_path: Path) -> None:
    """One that stands as nan, or as nothing, made it impossible to tell the offset."""
    file = tmp_path / "hoist.csv"
    file.write_text(HEAD + "1,100,10\n2,nan,10\n3,,10\n4,100,inf\n5,300,20\n,,\n")
    found = read(file)
    assert found.utc_s.tolist() == [1.0, 5.0]
    assert np.isfinite([found.load_n, found.block_m]).all()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "empty"),
        ("utc,load\n", "no column hook-load, block-position"),
        ('utc,"hook-load [m]","block-position [m]"\n', "allowed units: N, kN, lbf, klbf"),
        (HEAD + "1,2,3\n", "1 rows with both readings; allowed: at least two"),
        (HEAD + "1,2,3\nnoon,2,3\n", "line 3: utc: found 'noon'"),
        (HEAD + "1,2,3\n2,x,3\n", "line 3: hook-load: found 'x'"),
        (HEAD + "1,2,3\n2,2\n", "line 3: block-position: found ''"),
        (HEAD + "1,2,3\n1,2,3\n", "line 3: its time is not later"),
        (HEAD + "1,2,3\n\n1,2,3\n", "line 4: its time is not later"),
        (HEAD + "nan,2,3\n1,2,3\n", "line 2: utc: found 'nan'"),
        ('"hook-load [klbf]","block-position [m]",utc\n100,3,1\n100,3\n', "line 3: utc: found ''"),
    ],
)
def test_what_is_wrong_with_a_file_is_told_by_line(tmp_path: Path, text: str, told: str) -> None:
    file = tmp_path / "hoist.csv"
    file.write_text(text)
    with pytest.raises(StorageError, match=r".*") as error:
        read(file)
    assert told in str(error.value)
    assert str(file) in str(error.value)
