"""Plans: the balances hold, the uncertainty is that of its causes, the pace offered keeps the limits."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from brakewater import cli
from brakewater.physics import fluid
from brakewater.physics.plan_course import course
from brakewater.physics.planned import planned
from brakewater.physics.rotor import RotorModel
from brakewater.physics.trip_plan import Doubt, Plan
from brakewater.review.plan_page import sparkline
from brakewater.review.planning import Meant, plan_trip
from brakewater.rig import load
from brakewater.rig.load import demo_file

ROTOR = RotorModel(surface_j_k=6e4, core_j_k=3e5, through_w_k=4e3, still_w_k=6e3, flowing_w_k=1.8e4,
                   rated_m3_s=4.73e-3, wet_m=0.25, std=0.1)  # fmt: skip
PLAN = Plan(
    load_first_n=9e5, load_last_n=9e5, stands=5, stand_m=28.65, lowering_m_s=0.9, cycle_s=150.0, efficiency=0.81,
    share=1.0, flow_m3_s=4.73e-3, tank_degc=30.0, ambient_degc=30.0, tank_m3=31.8, loss_w_k=1e-9, other_w=0.0,
    housing_m3=0.14, kind=fluid.WATER, rotor=ROTOR,
)  # fmt: skip
SURE = Doubt(
    load=0.0,
    efficiency=0.0,
    share=0.0,
    flow=0.0,
    water_k=0.0,
    ambient_k=0.0,
    content=0.0,
    loss=0.0,
    other=0.0,
    model=0.0,
)
DEMO = str(demo_file())
STRING = ["--from", "2400 m", "--to", "2690 m", "--pipe", "31 kg/m", "--collars", "25 t"]


def test_a_brake_takes_no_more_than_the_load(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["plan", DEMO, *STRING, "--pace", "25", "--inlet", "80 degF", "--share"]
    with pytest.raises(SystemExit) as ended:
        cli.main([*words, "50"])
    assert ended.value.code == 2
    assert "--share: found '50'; allowed: above 0 to 1, such as 0.8 or '80 %'" in capsys.readouterr().err
    assert cli.main([*words, "50 %"]) in (0, 1)


@pytest.mark.parametrize("rotor", [ROTOR, None])
def test_what_is_put_in_stands_in_tank_housing_and_rotor(rotor: RotorModel | None) -> None:
    run = course(replace(PLAN, rotor=rotor))
    put_in = float(run.put_in_w.sum()) * run.every_s
    assert put_in == pytest.approx(5 * 9e5 * 28.65 * 0.81, rel=1e-3)
    at = np.array([30.0])
    per_m3 = float((fluid.density_kg_m3(fluid.WATER, at) * fluid.cp_j_kg_k(fluid.WATER, at))[0])
    stored = per_m3 * (31.8 * (run.tank_degc[-1] - 30.0) + 0.14 * (run.outlet_degc[-1] - 30.0))
    skin = float(run.rotor_degc[-1]) - 30.0
    if rotor is None:
        assert stored == pytest.approx(put_in, rel=1e-3)
    else:  # the core is somewhat warmer than the skin by then
        assert put_in - stored == pytest.approx(3.6e5 * skin, rel=0.35)


def test_a_sure_plan_has_no_uncertainty_and_one_cause_shows_whole() -> None:
    assert not any(planned(PLAN, SURE).stds.values())
    found = planned(PLAN, replace(SURE, load=0.03))
    assert found.stds["heat_peak_w"] == pytest.approx(0.03 * found.values["heat_peak_w"])
    rise = found.values["outlet_peak_degc"] - 30.0
    assert found.stds["outlet_peak_degc"] == pytest.approx(0.03 * rise, rel=1e-3)
    assert planned(PLAN, replace(SURE, water_k=0.5)).stds["tank_end_degc"] == pytest.approx(0.5, rel=0.01)


@pytest.mark.parametrize(("change", "says"), [
    ({"cycle_s": 20.0}, "at most 113 at this lowering speed"), ({"flow_m3_s": 0.0}, "allowed: above 0"),
    ({"cycle_s": 30_000.0}, "up to a day"),
])  # fmt: skip
def test_what_makes_no_plan_is_refused(change: dict[str, float], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        replace(PLAN, **change)


def asked(*more: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, object]]:
    status = cli.main(["plan", DEMO, "--json", *more])
    return status, json.loads(capsys.readouterr().out)


def test_the_pace_that_is_offered_keeps_every_limit_and_a_quicker_one_does_not(
    capsys: pytest.CaptureFixture[str],
) -> None:
    water = ["--inlet", "90 degF", "--tank", "25 bbl", "--ambient", "80 degF", "--loss", "10 kW/K"]
    status, found = asked(*STRING, *water, "--pace", "25", capsys=capsys)
    assert status == 1
    assert not found["ok"]
    kept = found["stands_per_hour_kept"]
    assert 5.0 < kept < 25.0
    assert asked(*STRING, *water, "--pace", f"{0.995 * kept:.4f}", capsys=capsys)[0] == 0
    assert asked(*STRING, *water, "--pace", f"{1.04 * kept:.4f}", capsys=capsys)[0] == 1


def test_where_no_pace_keeps_the_limits_slower_lowering_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    heavy = ["--hook-load", "500 klbf", "--stands", "4", "--inlet", "85 degF", "--pace", "10", "--speed", "2 m/s"]
    found = asked(*heavy, capsys=capsys)[1]
    assert found["stands_per_hour_kept"] is None
    slower = found["lowering_m_s_kept"]
    assert 0.1 < slower < 2.0
    assert asked(*heavy[:-1], f"{slower} m/s", capsys=capsys)[0] == 0


def test_the_flow_that_is_named_keeps_the_outlet(capsys: pytest.CaptureFixture[str]) -> None:
    heavy = ["--hook-load", "400 klbf", "--stands", "6", "--inlet", "85 degF", "--pace", "25", "--speed", "1.6 m/s"]
    status, found = asked(*heavy, capsys=capsys)
    assert status == 1
    needed = found["flow_needed_m3_s"]
    assert needed > found["least_flow_m3_s"]
    assert asked(*heavy, "--flow", f"{1.01 * needed} m3/s", capsys=capsys)[0] == 0


def test_a_tank_that_is_not_full_loses_as_much_as_a_full_one() -> None:
    meant = Meant(hook_first_n=9e5, hook_last_n=9e5, stands=5, stand_m=28.65, lowering_m_s=0.9, per_hour=20.0,
                  tank_degc=30.0)  # fmt: skip
    rig = load(demo_file())
    full = rig.tanks[0].volume
    loss = {part: plan_trip(rig, None, replace(meant, tank_m3=part * full)).plan.loss_w_k for part in (0.4, 1.0, 2.0)}
    assert loss[0.4] == loss[1.0]
    assert loss[2.0] == pytest.approx(2.0 * loss[1.0])


def test_other_heat_on_the_tank_warms_it_by_what_it_is() -> None:
    alone, shared = planned(PLAN, SURE), planned(replace(PLAN, other_w=5e4), SURE)
    at = np.array([32.0])
    per_m3 = float((fluid.density_kg_m3(fluid.WATER, at) * fluid.cp_j_kg_k(fluid.WATER, at))[0])
    lasts_s = len(alone.course.tank_degc) * alone.course.every_s
    warmer = shared.values["tank_end_degc"] - alone.values["tank_end_degc"]
    assert warmer == pytest.approx(5e4 * lasts_s / (31.8 * per_m3), rel=0.02)
    assert shared.values["heat_peak_w"] == alone.values["heat_peak_w"]
    rig = load(demo_file())
    rig = replace(rig, tanks=(rig.tanks[0].model_copy(update={"other_heat": 5e4}),))
    meant = Meant(hook_first_n=9e5, hook_last_n=9e5, stands=5, stand_m=28.65, lowering_m_s=0.9, per_hour=20.0,
                  tank_degc=30.0)  # fmt: skip
    assert plan_trip(rig, None, meant).plan.other_w == 5e4
    assert plan_trip(rig, None, replace(meant, other_w=0.0)).plan.other_w == 0.0


def test_a_larger_class_runs_cooler(capsys: pytest.CaptureFixture[str]) -> None:
    small = asked(*STRING, "--inlet", "80 degF", "--pace", "25", capsys=capsys)[1]
    large = asked(*STRING, "--inlet", "80 degF", "--pace", "25", "--class", "150 gal/min", capsys=capsys)[1]
    assert large["rotor_peak_degc"] < small["rotor_peak_degc"]
    assert large["least_flow_m3_s"] == pytest.approx(2 * small["least_flow_m3_s"])


def test_people_get_figures_with_uncertainty_a_sparkline_and_a_page(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "plan.html"
    assert cli.main(["plan", DEMO, *STRING, "--inlet", "80 degF", "--pace", "25", "--html", str(page)]) == 0
    shown = capsys.readouterr().out
    assert "outlet, peak" in shown
    assert "+/-" in shown
    assert "degF" in shown
    assert "█" in shown
    html = page.read_text()
    assert html.count("<svg") == 4
    assert "http" not in html.replace("http://www.w3.org/2000/svg", "")
    assert "stroke-dasharray" in html


@pytest.mark.parametrize(("more", "says"), [
    ([], "give --from, --to and --pipe"), (["--hook-load", "200 klbf"], "needs --stands"),
    (["--from", "2400 m", "--to", "2410 m", "--pipe", "31 kg/m"], "a stand or more"),
    (["--hook-load", "200 klbf", "--stands", "600"], "up to a day"),
    ([*STRING, "--brake", "main"], "allowed: aux"),
])  # fmt: skip
def test_bad_input_is_said_plainly(more: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["plan", DEMO, "--inlet", "80 degF", "--pace", "20", *more]) == 2
    assert says in capsys.readouterr().err


def test_water_too_hot_to_begin_with_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    found = asked("--hook-load", "200 klbf", "--stands", "3", "--pace", "25", "--inlet", "190 degF", capsys=capsys)[1]
    assert any("would boil" in note for note in found["notes"])
    assert any("cool it first" in note for note in found["notes"])


def test_a_sparkline_keeps_the_peak_and_its_width() -> None:
    values = np.zeros(1000)
    values[517] = 3.0
    line = sparkline(values, 50)
    assert len(line) == 50
    assert line.count("█") == 1
    assert sparkline(np.ones(7), 50, plain=True) == "." * 7
