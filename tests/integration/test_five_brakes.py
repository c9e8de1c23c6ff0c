"""Five brakes' records and nothing else: which one is weakening, and why, is found with ``brakewater trips`` alone."""

import json
from pathlib import Path

import pytest

from brakewater import cli
from brakewater.rig import load
from brakewater.rig.load import demo_file
from brakewater_sim.offline import record
from brakewater_sim.story import parse

STORY = """
schema = 1
[scenario]
name = "five"
length = "{length} s"
warmup = "1 s"
[[leg]]
wait = "30 s"
from = "{start} m"
to = "{end} m"
crew = {crew}
"""
WIDE = """
[[fault]]
fault = "widening-gap"
at = "0 s"
over = "1 s"
severity = 0.6
"""


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_the_weakening_brake_is_found_and_the_reason_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig, weak = load(demo_file().with_name("rig-4-full.toml")), 4
    for number in range(1, 6):
        start = 1400 + 200 * number
        text = STORY.format(length=5 * 170 + 120, start=start, end=start + 28.65 * 5 + 0.5, crew=number)
        record(parse(text + (WIDE if number == weak else "")), rig, tmp_path / f"brake-{number}", seed=number)
    verdicts = {}
    for number in range(1, 6):
        assert cli.main(["trips", str(tmp_path / f"brake-{number}"), "--json"]) == 0
        (trip,) = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
        verdicts[number] = trip["torque_verdict"]
    assert verdicts == {number: "weak" if number == weak else "as-new" for number in range(1, 6)}
    assert cli.main(["trips", str(tmp_path / f"brake-{weak}")]) == 0
    assert "from the first stand on: air gap or coils" in capsys.readouterr().out
