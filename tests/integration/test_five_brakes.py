"""Five brakes' records and nothing else: which one is weakening, and why, is found with ``brakewater study`` alone.

The records are the simulator's own plant, which knows nothing of what looks through them: three trips three months
apart, with noise, biases and crews of their own, and the air gap measured after each.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from brakewater import cli
from brakewater.rig import Rig, parse
from brakewater.stream import Block, Command, Request, Start
from brakewater_sim import months
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


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_an_exciter_s_limit_is_found_before_the_average_falls(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = parse((CONFIG / "rig-4-full.toml").read_text(encoding="utf-8"), "rig")
    record_months(Life(kind="exciter", seed=12, trips=2, stands=3, apart=3), rig, tmp_path / "r")
    assert cli.main(["study", str(tmp_path / "r"), "--json"]) == 0
    (finding,) = json.loads(capsys.readouterr().out)["records"][0]["brakes"]["aux"]["findings"]
    assert finding["cause"] == "exciter"
    assert re.search(r"no more than \d+ A, asked for up to \d+ A; up to \d+ A in the first trip", finding["says"])
    assert "so the coil's own resistance has not risen: exciter" in finding["says"]
    assert cli.main(["trips", str(tmp_path / "r")]) == 0
    assert finding["says"] in capsys.readouterr().out


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_a_changed_part_begins_a_new_baseline(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A meter that reads otherwise is no brake that weakens; what the torque says of new stays."""
    rig = parse((CONFIG / "rig-4-full.toml").read_text(encoding="utf-8") + "\n[upkeep]\nplugs = 4\n", "rig")
    life = Life(kind="gap", seed=2, trips=2, stands=3, apart=6)
    record_months(life, rig, tmp_path / "as-it-was")
    plain = months._run

    def with_new_meter(life: Life, number: int, rig: Rig) -> Iterator[Start | Block | Command]:
        last = None
        for last in plain(life, number, rig):
            yield last
        if number == 0:
            assert isinstance(last, Command)
            asked = Request(id="new", actor="mechanic", do="change-part", args={"part": "meter", "serial": "M-2"})
            yield replace(last, input=last.input + 1, request=asked)

    monkeypatch.setattr(months, "_run", with_new_meter)
    record_months(life, rig, tmp_path / "new-meter")
    places = [str(tmp_path / name) for name in ("as-it-was", "new-meter")]
    assert cli.main(["study", *places, "--workers", "1", "--json"]) == 0
    before, after = (row["brakes"]["aux"] for row in json.loads(capsys.readouterr().out)["records"])
    assert (before["trips"], after["trips"]) == (2, 1)
    assert "torque fell from" in before["findings"][0]["says"]
    assert not any("fell from" in one["says"] for one in after["findings"])
    assert cli.main(["trips", places[1]]) == 0
    said = capsys.readouterr().out
    assert "brake aux: a part was changed at 2031-02-03" in said
    assert "brake aux, 1 trip: torque" in said


def test_a_kind_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="allowed: sound, gap, exciter, scaled-rotor, hot-rotor"):
        record_months(Life(kind="rust", seed=1), parse((CONFIG / "rig-4-full.toml").read_text(), "rig"), tmp_path / "r")
    assert list(tmp_path.iterdir()) == []
