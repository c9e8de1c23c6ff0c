"""Refining parameters: what a trip tells comes out, and what it cannot tell is refused, said and not guessed."""

import json
from pathlib import Path

import numpy as np
import pytest

import streams
from brakewater.cli import main
from brakewater.cli.fit import _show
from brakewater.review.fit import Fit, Parameter
from brakewater.review.residual_plot import residual_svg
from brakewater_sim.offline import record
from brakewater_sim.scenarios import SCENARIOS


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
    found = Fit(brake="aux", seconds=900, stands=5, parameters=parameters, rms_before_k=0.5, rms_k=0.2,
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


def test_residuals_as_a_picture() -> None:

    assert residual_svg(np.sin(np.arange(5000.0))).count(",") < 2100
