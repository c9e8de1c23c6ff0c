"""A rig whose scan does not divide a second: samples about a second apart say how far apart they are."""

import json
from pathlib import Path

import pytest

import streams
from brakewater_sim.offline import record
from brakewater_sim.scenarios import SCENARIOS
from daemons import here

pytestmark = pytest.mark.integration


@pytest.fixture(scope="module", params=["200 ms", "400 ms", "700 ms"])
def trip(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Part of a trip in with a brake as new; two scans of 400 ms are a sample, one of 700 ms."""
    full = (streams.CONFIG / "rig-4-full.toml").read_text(encoding="utf-8")
    rig = streams.parse(streams.changed(full, ('scan = "200 ms"', f'scan = "{request.param}"')))
    folder = tmp_path_factory.mktemp("trip") / "record"
    record(SCENARIOS["trip-in"], rig, folder, seconds=2500.0)
    return folder


def test_a_brake_as_new_is_not_told_to_be_scaled(trip: Path) -> None:
    (row,) = json.loads(here("study", trip, "--workers", "1", "--json").stdout)["records"]
    assert row["trips"]["count"] == 1
    assert [one["cause"] for one in row["brakes"]["aux"]["findings"]] == []


def test_what_fit_tells_holds_what_the_simulator_has(trip: Path) -> None:
    found = {one["name"]: one for one in json.loads(here("fit", trip, "--json").stdout)["parameters"]}
    assert found["lag"]["low"] < 1.0 < found["lag"]["high"]
    assert found["lag"]["told"]
    assert found["share"]["value"] == pytest.approx(0.905, abs=0.01)
    assert found["masses"]["low"] < 1.0 < found["masses"]["high"]
