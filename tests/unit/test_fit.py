"""Refining parameters: what a trip tells comes out, and what it cannot tell is refused, said and not guessed."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import streams
from brakewater.cli import main
from brakewater.cli.fit import _show
from brakewater.engine import Engine
from brakewater.record.reader import Record
from brakewater.review.fit import Fit, FitError, Parameter, _of_trips, fit
from brakewater.review.residual_plot import residual_svg
from brakewater.stream import Block, Input, Start
from brakewater_sim.offline import record
from brakewater_sim.scenarios import SCENARIOS
from record_streams import watched


def test_a_short_record_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record(SCENARIOS["pump-loss"], streams.demo(), tmp_path / "short", seconds=60.0)
    assert main(["fit", str(tmp_path / "short")]) == 1
    assert "cannot tell: found 1 stand " in capsys.readouterr().out


def test_a_rig_file_without_the_model_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = streams.demo().text.replace('housing-area = "0.55 m2"\n', "")
    record(SCENARIOS["pump-loss"], streams.parse(text), tmp_path / "bare", seconds=20.0)
    assert main(["fit", str(tmp_path / "bare"), "--json"]) == 1
    assert "housing-area" in json.loads(capsys.readouterr().out)["says"]


def test_a_wide_interval_tells_nothing() -> None:
    assert Parameter(name="share", value=0.94, low=0.92, high=0.95).told
    assert not Parameter(name="masses", value=0.9, low=0.3, high=2.4).told


@pytest.mark.parametrize(("high", "last"), [
    ((0.95, 2.4), "found: share; not found: masses; leave there what the rig file says"),
    ((0.95, 0.95), "found: share, masses"), ((2.4, 2.4), "found: nothing; not found: share, masses; leave"),
])  # fmt: skip
def test_the_last_line_says_what_was_found_and_what_not(
    high: tuple[float, float], last: str, capsys: pytest.CaptureFixture[str]
) -> None:
    parameters = tuple(
        Parameter(name=name, value=0.9, low=0.88, high=end) for name, end in zip(("share", "masses"), high, strict=True)
    )
    found = Fit(brake="aux", seconds=900, stands=5, stands_beyond=0, parameters=parameters, rms_before_k=0.5, rms_k=0.2,
                residual_k=np.zeros(900))  # fmt: skip
    _show(found, as_json=False)
    assert capsys.readouterr().out.splitlines()[-1].startswith(last)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_the_share_of_a_trip(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Truth: the simulator's share 0.95, less what rotor and housing lose to the air, plus the coil's own heat.
    record(SCENARIOS["hot-day"], streams.demo(), tmp_path / "hot", seconds=1680.0)
    plot = tmp_path / "left.svg"
    main(["fit", str(tmp_path / "hot"), "--json", "--plot", str(plot)])
    found = json.loads(capsys.readouterr().out)
    share = next(one for one in found["parameters"] if one["name"] == "share")
    assert share["told"]
    assert share["value"] == pytest.approx(0.94, abs=0.02)
    assert found["rms_k"] < 0.5 < found["rms_before_k"]
    assert plot.read_text().startswith("<svg")


def _with_a_hole(whole: Path, engine: Engine) -> Iterator[Input]:
    """The same without 210 s in the middle of lowering: a run ends there, and the next begins with what was known."""
    run, before, first = 1, 0, None
    for item in Record(whole).inputs(block=50):
        if isinstance(item, Start):
            first = item
        elif isinstance(item, Block) and not 3000 <= int(item.input[0]) < 4050:
            if int(item.input[0]) >= 4050 and run == 1:
                assert first is not None
                run, before = 2, int(item.input[0]) - 1
                at = {"t_ns": int(item.t_ns[0]), "utc_ns": int(item.utc_ns[0])}
                yield replace(first, run=2, snapshot=engine.state(), **at)
            yield replace(item, run=run, input=item.input - before)
            continue
        else:
            continue
        yield item


def test_a_hole_in_the_record_is_no_second_of_it(tmp_path: Path) -> None:
    engine = Engine()
    record(SCENARIOS["hot-day"], streams.demo(), tmp_path / "hot", seconds=1680.0)
    found = fit(Record(watched(tmp_path / "holed", _with_a_hole(tmp_path / "hot", engine), engine)))
    share = next(one for one in found.parameters if one.name == "share")
    assert share.value == pytest.approx(0.94, abs=0.02)
    assert found.rms_k < 0.5


def test_a_brake_that_a_later_rig_file_names_is_fitted(tmp_path: Path) -> None:
    """The first rig file's names alone were allowed, though the record ends with another."""
    before = streams.demo()
    after = streams.parse(streams.changed(before.text, ('[[brake]]\nname = "aux"', '[[brake]]\nname = "main"')))
    record(SCENARIOS["hot-day"], after, tmp_path / "hot", seconds=1680.0)

    def both() -> Iterator[Input]:
        yield streams.start(before)
        yield streams.scans(before, 50)
        for item in Record(tmp_path / "hot").inputs():
            yield replace(item, run=2)

    whole = Record(watched(tmp_path / "both", both(), Engine()))
    found = fit(whole, "main")
    assert found.brake == "main"
    assert next(one.value for one in found.parameters if one.name == "share") == pytest.approx(0.94, abs=0.02)
    with pytest.raises(FitError, match="found no brake 'spare'; allowed: aux, main"):
        fit(whole, "spare")


def test_of_a_week_the_trips_are_fitted_to_and_not_the_drilling_between() -> None:
    """The first 20,000 s were, which of a week is half a tour, and nothing said so."""
    duty = np.zeros(200_000)
    for begin in (50_000, 50_200, 150_000, 199_900):
        duty[begin : begin + 30] = 4e5
    taken = _of_trips(duty, 1.0)
    assert len(taken) < 5000
    assert {50_000, 50_229, 150_000, 199_929, 149_700, 150_900} <= set(taken.tolist())
    assert not {0, 49_000, 100_000, 152_000} & set(taken.tolist())
    short = np.zeros(20_000)
    assert len(_of_trips(short, 1.0)) == 20_000


def test_stands_that_are_not_fitted_to_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    found = Fit(brake="aux", seconds=20_000, stands=90, stands_beyond=12, parameters=(), rms_before_k=0.5, rms_k=0.2,
                residual_k=np.zeros(9))  # fmt: skip
    _show(found, as_json=False)
    assert "12 later stands of this record left out" in capsys.readouterr().out


def test_residuals_as_a_picture() -> None:

    assert residual_svg(np.sin(np.arange(5000.0))).count(",") < 2100
