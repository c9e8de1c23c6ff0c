"""Five brakes' records and nothing else: which one is weakening, and why, is found with ``brakewater study`` alone.

The records are the simulator's own plant, which knows nothing of what looks through them: three trips three months
apart, with noise, biases and crews of their own, and the air gap measured after each.
"""

import json
from pathlib import Path

import pytest

from brakewater import cli
from brakewater.rig import parse
from brakewater_sim.months import Life, record_months
from streams import CONFIG

WHY = {"sound": [], "gap": ["gap"], "exciter": ["exciter"], "scaled-rotor": ["scale"], "hot-rotor": ["hot-rotor"]}
STATES = {"sound": "sound", "hot-rotor": "incident"}


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_the_weakening_brakes_are_found_and_the_reasons_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = parse((CONFIG / "rig-4-full.toml").read_text(encoding="utf-8") + "\n[upkeep]\nplugs = 4\n", "rig")
    for seed, kind in enumerate(WHY, 1):
        record_months(Life(kind=kind, seed=seed, trips=3, stands=5, apart=3), rig, tmp_path / kind)
    places = [str(tmp_path / kind) for kind in WHY]
    assert cli.main(["study", *places, "--workers", "1", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["records"]
    told = {Path(row["record"]).name: row["brakes"]["aux"] for row in rows}
    assert {kind: [one["cause"] for one in found["findings"]] for kind, found in told.items()} == WHY
    assert {kind: found["condition"] for kind, found in told.items()} == {
        kind: STATES.get(kind, "weakening") for kind in WHY
    }
    assert "over 6 months" in told["gap"]["findings"][0]["says"]
    assert cli.main(["study", *places, "--workers", "1"]) == 0
    said = capsys.readouterr().out
    assert "air gap: the measured gap" in said
    assert "too little water" in said


def test_a_kind_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="allowed: sound, gap, exciter, scaled-rotor, hot-rotor"):
        record_months(Life(kind="rust", seed=1), parse((CONFIG / "rig-4-full.toml").read_text(), "rig"), tmp_path / "r")
    assert list(tmp_path.iterdir()) == []
