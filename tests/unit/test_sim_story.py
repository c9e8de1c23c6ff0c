"""Scenario files: what is written is played, what is wrong is told with key and what is allowed."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from brakewater.errors import RigFileError
from brakewater.quality import Status
from brakewater.rig import load as load_rig
from brakewater.rig.roles import ROLES
from brakewater_sim.faults import FAULTS, SPANS, Acts, size
from brakewater_sim.health import SOUND, Health, health
from brakewater_sim.leading import leading
from brakewater_sim.ledger import ledger
from brakewater_sim.offline import blocks
from brakewater_sim.sensors import SENSORS
from brakewater_sim.simulate import Tick, simulate
from brakewater_sim.story import load, parse

TEMPLATE = Path(__file__).parents[2] / "config" / "scenario.toml"

# The closed list of the alarm catalogue, by heart of its contract: also those that are still to come.
ALARMS = {
    "cooling-lost", "cooling-flow-low", "cooling-flow-high", "inlet-temperature-high", "outlet-temperature-high",
    "outlet-rise-high", "brake-level-rising", "brake-level-high", "return-restricted", "water-lost",
    "cooling-margin-low", "inlet-limit-ahead", "heat-share-low", "brake-weakening", "excitation-low",
    "rotor-hot-no-flow", "tank-level-low", "supply-pressure-low", "strainer-fouling", "pump-stopped", "frost-ahead",
    "signal-bad", "signal-doubtful", "device-silent", "device-stuck", "excitation-reduced",
}  # fmt: skip


def told(*faults: str, more: str = "", length: str = "60 s") -> str:
    tables = "".join(f"[[fault]]\n{fault}\n" for fault in faults)
    return f'schema = 1\n[scenario]\nname = "x"\nlength = "{length}"\nwarmup = "1 s"\n{more}\n{tables}'


def played(text: str) -> list[Tick]:
    return list(simulate(parse(text), every_s=1.0))


def test_the_template_is_sound() -> None:
    scenario = load(TEMPLATE)
    assert scenario.length_s == 2400.0
    assert [leg.direction for leg in (scenario.sizes.hoist, *scenario.legs)] == ["in", "out"]
    assert set(scenario.conditions) == {"strainer", "blockage"}


def test_every_fault_has_its_leading_alarms_and_every_alarm_is_of_the_catalogue() -> None:
    assert leading().keys() == FAULTS.keys()
    for name, row in leading().items():
        assert row.lead, name
        assert row.lead <= ALARMS, name
        assert row.damages or row.silent or FAULTS[name].acts in (Acts.SENSOR, Acts.DEVICE), name


@pytest.mark.parametrize("name", [name for name, row in FAULTS.items() if row.acts is Acts.CONDITION])
def test_a_fault_grows_from_sound_to_its_severity_and_goes(name: str) -> None:
    row = FAULTS[name]
    scenario = parse(told(f'fault = "{name}"\nat = "10 s"\nuntil = "40 s"\nseverity = 0.5\nover = "4 s"'))
    sound, hurt = getattr(SOUND, row.on), size(row, 0.5)
    at = {t: getattr(health(scenario.conditions, t), row.on) for t in (10.0, 12.0, 14.0, 40.0, 43.0)}
    assert at[10.0] == pytest.approx(sound)
    assert at[12.0] == pytest.approx(0.5 * (sound + hurt))
    assert at[14.0] == at[40.0] == pytest.approx(hurt)
    assert at[43.0] == pytest.approx(sound)
    others = health(scenario.conditions, 20.0)._replace(**{row.on: sound})
    assert others == pytest.approx(SOUND)


def test_a_fault_ends_when_told_to_even_before_it_has_grown() -> None:
    scenario = parse(
        told('fault = "strainer-plugging"\nat = "4 min"\nuntil = "6 min"\nseverity = 0.5', length="20 min")
    )
    hurt = size(FAULTS["strainer-plugging"], 0.5)
    at = {t: health(scenario.conditions, t).strainer for t in (240.0, 300.0, 360.0, 362.0, 900.0)}
    assert at == pytest.approx({240.0: 0.0, 300.0: 0.1 * hurt, 360.0: 0.2 * hurt, 362.0: 0.0, 900.0: 0.0})


def test_two_faults_on_one_item_add_up() -> None:
    choked = 'fault = "choked-return"\nover = "1 s"\nseverity = 0.0'
    collapsed = 'fault = "collapsed-hose"\nseverity = 0.0'
    found = health(parse(told(choked, collapsed)).conditions, 30.0)
    assert found.blockage == pytest.approx(1.0 - 0.70 * 0.65)


def effects(a: Tick, b: Tick) -> dict[str, bool]:
    return {
        "choked-return": b.truth["brake-level"] > a.truth["brake-level"] + 0.05,
        "collapsed-hose": b.truth["return-flow"] < 0.9 * a.truth["return-flow"],
        "strainer-plugging": b.truth["strainer-differential"] > 5.0 * a.truth["strainer-differential"],
        "filter-plugging": b.truth["filter-differential"] > 5.0 * a.truth["filter-differential"],
        "pump-wear": b.truth["supply-pressure"] < 0.8 * a.truth["supply-pressure"],
        "air-in-line": b.truth["inlet-flow"] < 0.95 * a.truth["inlet-flow"],
        "valve-closing": b.truth["inlet-flow"] < 0.3 * a.truth["inlet-flow"],
        "valve-opened": b.truth["inlet-flow"] > 1.3 * a.truth["inlet-flow"],
        "leaking-supply": b.truth["return-flow"] < 0.8 * b.truth["inlet-flow"],
        "tank-leak": b.truth["tank-level"] < a.truth["tank-level"] - 0.02,
        "cooler-fan-off": b.state.tank_lost_j < 0.5 * a.state.tank_lost_j,
        "scaled-rotor": b.state.surface_degc > a.state.surface_degc + 20.0,
        "widening-gap": b.truth["coil-current"] > 1.2 * a.truth["coil-current"],
        "weak-excitation": b.state.worked_j < 0.7 * a.state.worked_j,
        "pump-stopped": b.truth["inlet-flow"] < 1e-6 and b.truth["pump-running"] == 0.0,
        "hot-day": b.truth["ambient-temperature"] == 50.0,
        "frost": b.truth["ambient-temperature"] == -25.0,
        "too-fast": b.hook.lowering_m_s > 1.8 * a.hook.lowering_m_s,
        "small-tank": b.state.tank_kg < 0.2 * a.state.tank_kg,
    }


PLANT = [name for name, row in FAULTS.items() if row.acts not in (Acts.SENSOR, Acts.DEVICE)]


@pytest.mark.parametrize("name", PLANT)
def test_a_severe_fault_moves_the_plant_as_it_should(name: str) -> None:
    at = "" if name == "small-tank" else 'at = "2 s"\n'
    over = "" if name in ("small-tank", "pump-stopped") else 'over = "1 s"\n'
    length = "10 s" if name == "too-fast" else "24 s"
    healthy, hurt = played(told(length=length)), played(told(f'fault = "{name}"\n{at}{over}', length=length))
    assert effects(healthy[-1], hurt[-1])[name]
    account = ledger(parse(told(f'fault = "{name}"\n{at}{over}')).sizes, hurt[0].state, hurt[-1].state)
    assert abs(account.whole_error_j) < 1e-3 * account.worked_j + 100.0
    assert abs(account.brake_error_j) < 1e-3 * account.worked_j + 100.0


@pytest.mark.parametrize("name", [name for name, row in FAULTS.items() if row.acts is Acts.SENSOR])
def test_a_sensor_fault_moves_what_is_shown_and_not_the_truth(name: str) -> None:
    row = FAULTS[name]
    role = row.role or "inlet-temperature"
    where = "" if row.role else f'role = "{role}"\n'
    healthy, hurt = played(told()), played(told(f'fault = "{name}"\nat = "20 s"\n{where}'))
    assert [tick.truth for tick in healthy] == [tick.truth for tick in hurt]
    before, after = healthy[19].measured == hurt[19].measured, hurt[-1]
    assert before
    assert after.measured[role] != healthy[-1].measured[role] or after.broken == {role: row.on}


def test_large_brake_carries_twice_the_water_at_the_same_level() -> None:
    small, large = played(told())[0].truth, played(told(more='brake = "150 gal/min"'))[0].truth
    assert large["inlet-flow"] == pytest.approx(2.0 * small["inlet-flow"], rel=0.03)
    assert large["brake-level"] == pytest.approx(small["brake-level"], abs=0.03)


ONCE_MORE = '[[leg]]\nfrom = "130 m"\nto = "160 m"\n'
"""Without a rest: the block is still low."""


def test_legs_follow_each_other_without_a_jump() -> None:
    leg = '[[leg]]\ndirection = "in"\nfrom = "100 m"\nto = "160 m"\ncrew = 3\nhitch = 1.0\n'
    out = '[[leg]]\ndirection = "out"\nfrom = "160 m"\nto = "100 m"\nwait = "30 s"\ncrew = 4\n'
    again = '[[leg]]\ndirection = "in"\nfrom = "100 m"\nto = "130 m"\nwait = "20 s"\n'
    text = told(more=leg + out + again + ONCE_MORE, length="1800 s")
    scenario = replace(parse(text), warmup_s=0.0)
    hooks = [tick.hook for tick in simulate(scenario, every_s=0.2)]
    assert max(abs(b.block_m - a.block_m) for a, b in pairwise(hooks)) < 0.5
    assert max(hook.depth_m for hook in hooks[-2000:]) == pytest.approx(130.0 + 28.65)  # the last leg was played


def test_a_trip_begins_and_ends_at_surface() -> None:
    up = '[[leg]]\ndirection = "out"\nfrom = "57.3 m"\nto = "0 m"\n'
    down = '[[leg]]\nfrom = "0 m"\nto = "60 m"\n'
    depths = [tick.hook.depth_m for tick in simulate(parse(told(more=up + down, length="900 s")), every_s=1.0)]
    assert min(depths) == pytest.approx(-0.3, abs=0.01)  # the last stand is lifted off its slips
    assert depths[-1] == pytest.approx(57.3)


WRONG = {
    'schema = 2\n[scenario]\nname = "x"\nlength = "1 s"': ("schema", "1"),
    'schema = 1\n[scenario]\nname = "x"': ("scenario.length", "required"),
    told('fault = "choked-retrun"'): ("fault[0].fault", 'did you mean "choked-return"'),
    told('fault = "choked-return"\nseverity = 1.5'): ("fault[0].severity", "less than or equal to 1"),
    told('fault = "choked-return"\nat = "5 s"\nuntil = "4 s"'): ("fault[0].until", "later than at, 5 s"),
    told('fault = "choked-return"\nrole = "inlet-flow"'): ("fault[0].role", "leave it out"),
    told('fault = "stuck-sensor"'): ("fault[0]", "inlet-flow"),
    told('fault = "stuck-sensor"\nrole = "inlet-flwo"'): ("fault[0].role", 'did you mean "inlet-flow"'),
    told('fault = "silent-device"'): ("fault[0]", "name of a device"),
    told('fault = "hot-day"', 'fault = "frost"'): ("fault[1].fault", "one of them"),
    told('fault = "small-tank"\nat = "5 s"'): ("fault[0].at", "small from the start"),
    told(more='brake = "90 gal/min"'): ("scenario.brake", "75 gal/min"),
    told(more='watre = "85 degF"'): ("scenario.watre", 'did you mean "water"'),
    told(more='tank = "200 gal"'): ("scenario.tank", "US gal"),
    told(more='[[leg]]\nfrom = "200 m"\nto = "100 m"'): ("leg[0].to", "deeper than from"),
    told(more='[[lge]]\nfrom = "200 m"'): ("lge", 'did you mean "leg"'),
    told(more='[[hold]]\nat = "2 s"\nuntil = "1 s"'): ("hold[0].until", "later than at"),
    told(more='[[leg]]\nfrom = "200 m"\nto = "210 m"'): ("leg[0].to", "a whole stand of 28.65 m"),
    told(more='[[leg]]\nfrom = "200 m"\nto = "20000 m"'): ("leg[0].to", "0 m to 15000 m"),
    told(more='[[leg]]\nfrom = "200 m"\nto = "400 m"\nlowering = "1000 m/s"'): ("leg[0].lowering", "5 m/s"),
    told(more='[[leg]]\nfrom = "200 m"\nto = "400 m"\ncollars = inf'): ("leg[0].collars", "1000000"),
    told(more='[[hold]]\nat = "2 s"\nuntil = "9 s"\n[[hold]]\nat = "3 s"\nuntil = "4 s"'): ("hold[1].at", "ended, 9 s"),
    told(more='water = "150 degC"'): ("scenario.water", "0 degC to 90 degC"),
    told(more='water = "-2 degC"'): ("scenario.water", "liquid"),
    told(more='ambient = "-200 degC"'): ("scenario.ambient", "-60 degC to 60 degC"),
    told(more='tank = "1 L"'): ("scenario.tank", "1 m3"),
    told(length="0 s"): ("scenario.length", "1 s to 366 d"),
    told('fault = "choked-return"\nat = "60 s"'): ("fault[0].at", "before the scenario's end, 60 s"),
    told('fault = "small-tank"\nuntil = "5 s"'): ("fault[0].until", "stays as small"),
    told('fault = "broken-wire"\nrole = "inlet-flow"\nover = "5 s"'): ("fault[0].over", "does not grow"),
    told(more='[[hold]]\nat = "60 s"\nuntil = "70 s"'): ("hold[0].at", "before the scenario's end, 60 s"),
    told('fault = "frost"\nseverity = 0,5'): ("(syntax)", "a decimal point, no comma"),
    told().replace("schema = 1", "schema = true"): ("schema", "1"),
    "schema = ": ("(syntax)", "TOML"),
    f"schema = {'[' * 5000}": ("(syntax)", "TOML"),
}


@pytest.mark.parametrize("text", WRONG)
def test_what_is_wrong_is_told_with_key_and_allowed(text: str) -> None:
    key, allowed = WRONG[text]
    with pytest.raises(RigFileError) as told_error:
        parse(text)
    assert any(fault.key == key and allowed in f"{fault.allowed} {fault.hint}" for fault in told_error.value.faults), (
        told_error.value.faults
    )


def test_a_file_that_cannot_be_read_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "bytes.toml").write_bytes(b"\xff\x00")
    for name, found in (
        ("none.toml", "no such file or folder"),
        (".", "a folder"),
        ("bytes.toml", "the byte 0xff, no UTF-8 text"),
    ):
        with pytest.raises(RigFileError) as told_error:
            load(tmp_path / name)
        (fault,) = told_error.value.faults
        assert found in fault.found
        assert "Errno" not in fault.found


def test_a_syntax_error_names_its_line() -> None:
    with pytest.raises(RigFileError) as told_error:
        parse('schema = 1\n[scenario]\nname = "x"\nlength =\n')
    assert [fault.line for fault in told_error.value.faults] == [4]


def test_names_of_the_tables_agree() -> None:
    assert {row.on for row in FAULTS.values() if row.acts is Acts.CONDITION} <= set(Health._fields)
    assert {one.role for one in SENSORS} == set(SPANS)


def test_a_stuck_device_repeats_and_lost_answers_are_as_many_as_told() -> None:
    rig = load_rig(TEMPLATE.with_name("rig-4-full.toml"))
    text = told('fault = "stuck-device"\ndevice = "plc1"\nat = "5 s"\nuntil = "8 s"', more="lost-one-in = 20")
    (block,) = blocks(parse(text), rig)
    plc = [slot for slot in rig.slots if slot.point.device == "plc1"]
    flow = next(slot for slot in plc if slot.point.role == "inlet-flow")
    silent = block.status[:, flow.index] == Status.SILENT
    assert 5 <= int(silent.sum()) <= 30  # 300 scans, one in 20: mean 15, sd 3.8
    seen = block.words[:, flow.column][~silent]
    t_s = block.t_ns[~silent] / 1e9
    assert len(set(seen[(t_s >= 5.2) & (t_s < 8.0)].tolist())) == 1
    assert len(set(seen[t_s >= 8.0].tolist())) > 20


@pytest.mark.parametrize("name", ["rig-4-full.toml", "rig-9-full.toml"])
def test_full_rig_files_have_every_role(name: str) -> None:
    here = {point.role for point in load_rig(TEMPLATE.with_name(name)).points}
    assert {role for role in ROLES if not role.startswith("push-")} <= here
