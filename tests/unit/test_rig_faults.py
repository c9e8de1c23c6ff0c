"""Every way to get a rig file wrong: the line, the key, what was found and what is allowed."""

# ruff: noqa: E501 - the table reads best a row a line

from pathlib import Path

import pytest

import streams
from brakewater.errors import Fault, RigFileError
from brakewater.rig import load, parse

TEXT = streams.DEMO.read_text(encoding="utf-8")
ALARM = '[[brake.alarm]]\nalarm = "{}"\n{}\n[[lamp]]'
Swap = tuple[str, str]


def faults(*swaps: Swap, text: str = "") -> tuple[Fault, ...]:
    with pytest.raises(RigFileError) as caught:
        parse(text or streams.changed(TEXT, *swaps), "rig.toml")
    return caught.value.faults


def line_of(text: str, piece: str) -> int:
    return text[: text.index(piece)].count("\n") + 1


def alarm(name: str, keys: str) -> Swap:
    return "[[lamp]]", ALARM.format(name, keys)


ONE: dict[str, tuple[list[Swap], str, str, str, str]] = {
    # what is wrong: swaps, piece on the line complained of, key, part of found, part of allowed
    "bare gal of a volume": ([('"200 bbl"', '"8400 gal"')], "8400", "tank[0].volume", "gal", '"US gal" or "imp gal"'),
    "bare gal of a flow": ([('"75 gal/min"', '"75 gal"')], '"75 gal"', "brake[0].least-flow", "gal", "imp gal/min"),
    "gpm": ([('"75 gal/min"', '"75 gpm"')], "75 gpm", "brake[0].least-flow", "gpm", '"gal/min" (US) or "imp gal/min"'),
    "hp for a flow": ([('"75 gal/min"', '"75 hp"')], "75 hp", "brake[0].least-flow", "several things", "gal/min"),
    "another dimension": ([('"600 mm"', '"600 psi"')], "600 psi", "brake[0].bearing-level", "'600 psi'", "m, cm, mm, in, ft"),
    "fluid without its basis": ([('fluid = "water"', 'fluid = "30 % ethylene glycol"')], "30 % eth", "brake[0].fluid", "'30 % ethylene glycol'", "% vol ethylene glycol"),
    "fluid without quotes": ([('fluid = "water"', "fluid = 30")], "fluid = 30", "brake[0].fluid", "30", '"30 % vol ethylene glycol"'),
    "fluid of its own making": ([('fluid = "water"', 'fluid = { name = "oil", middle-degc = 50.0, half-k = 50.0, density = [-9.0], enthalpy = [0.0], lowest-degc = 0.0, highest-degc = 99.0 }')], "oil", "brake[0].fluid", "oil", '"water", or a share'),
    "fluid too thin": ([('fluid = "water"', 'fluid = "5 % vol ethylene glycol"')], "5 % vol", "brake[0].fluid", "'5 % vol", "10 to 60 % vol"),
    "meter density with a volumetric meter": ([('fluid = "water"', 'meter-density = "998 kg/m3"')], "meter-density", "brake[0].meter-density", "998 kg/m3", 'meter-kind = "mass"'),
    "meter density far off": ([('fluid = "water"', 'meter-kind = "mass"\nmeter-density = "9 kg/m3"')], "meter-density", "brake[0].meter-density", "9 kg/m3", "500 to 2000 kg/m3"),
    "no unit": ([('"600 mm"', "600")], "= 600", "brake[0].bearing-level", "'600' without a unit", "m, cm, mm, in, ft"),
    "zero": ([('"600 mm"', '"0 mm"')], '"0 mm"', "brake[0].bearing-level", "'0 mm'", "above zero"),
    "infinite": ([('"600 mm"', '"1e999 mm"')], "1e999", "brake[0].bearing-level", "1e999", "can hold"),
    "for ever": ([('"150 ms"', '"1e300 s"')], "1e300", "device[0].timeout", "1e300", "366 days"),
    "unknown key": ([("least-flow", "leest-flow")], "leest", "brake[0].leest-flow", "unknown key", "least-flow"),
    "underscore": ([("least-flow", "least_flow")], "least_flow", "brake[0].least_flow", "unknown key", "least-flow"),
    "unknown table": ([("[people]", "[poeple]")], "poeple", "poeple", "unknown key", "people"),
    "unknown signal key": ([('unit = "klbf', 'units = "klbf')], 'units = "klbf', "point[0].signal.units", "unknown key", "kind, unit"),
    "certificate without tls": ([("port = 1883", 'port = 1883\nca = "/x.pem"')], 'ca = "/x', "mqtt.ca", "without TLS", "tls = true"),
    "key without certificate": ([("port = 1883", 'port = 1883\ntls = true\nkey = "/x.key"')], 'key = "/x', "mqtt.key", "without a certificate", "both"),
    "mirror address": ([("[people]", '[mirror.office]\nurl = "office:8086"\n[people]')], "url =", "mirror.office.url", "'office:8086'", "https://"),
    "mirror certificate": ([("[people]", '[mirror.office]\nurl = "http://office"\nca = "/x.pem"\n[people]')], "ca =", "mirror.office.ca", "without TLS", "https"),
    "backlog rate": ([("[people]", '[mirror.office]\nurl = "http://office"\nbacklog-rate = 1\n[people]')], "backlog-rate", "mirror.office.backlog-rate", "1", "10"),
    "schema": ([("schema = 1", "schema = 2")], "schema", "schema", "2", "schema = 1"),
    "role misspelt": ([('"inlet-flow"', '"inletflow"')], "inletflow", "brake[0].point[0].role", "'inletflow'", "inlet-flow"),
    "role of a brake": ([('"tank-temperature"\ndevice', '"inlet-temperature"\ndevice')], '"inlet-temperature"', "point[3].role", "[[point]]", "[[brake.point]]"),
    "role twice": ([('role = "tank-temperature"', 'role = "ambient-temperature"')], 'role = "ambient-temperature"\ndevice = "plc1"\ntable = "input"\naddress = 11', "point[4].role", "a second", "once"),
    "role missing": ([('role = "inlet-flow"', 'role = "return-flow"')], "[[brake]]", "brake[0]", "'inlet-flow'", "the watch loses everything"),
    "name twice": ([('"block-position"', '"hook-load"')], 'name = "hook-load"\nrole = "block', "point[1].name", "second point named 'hook-load'", "each name once"),
    "name with a space": ([('"aux-flow"', '"Aux Flow"')], "Aux Flow", "brake[0].point[0].name", "Aux Flow", "lower-case"),
    "device unknown": ([('device = "plc1"', 'device = "plc2"')], "plc2", "point[0].device", "'plc2'", "plc1"),
    "device named self": ([('name = "plc1"', 'name = "self"'), *[('device = "plc1"', 'device = "self"')] * 10], 'name = "self"', "device[0].name", "'self'", "any other name"),
    "table": ([('"input"', '"inputs"')], '"inputs"', "point[0].table", "inputs", "'coil', 'discrete', 'input' or 'holding'"),
    "type": ([('"float32"', '"float16"')], "float16", "point[0].type", "float16", "float32"),
    "type in a bit table": ([('"input"\naddress = 4', '"coil"\naddress = 4')], 'type = "bit 1"', "point[2].type", "bit 1", '"bit" in the coil table'),
    "bit 16": ([('"bit 1"', '"bit 16"')], "bit 16", "point[2].type", "bit 16", '"bit 0" to "bit 15"'),
    "overlap": ([("address = 8", "address = 7")], "address = 7", "point[1].address", "'hook-load'", "each register once"),
    "same bit": ([('"bit 1"', '"bit 0"')], 'address = 4\ntype = "bit 0"\nsignal = { kind = "bit" }\n\n[[lamp]]', "brake[0].point[4].address", "'pump-running'", "different bits"),
    "out of range": ([("address = 8", "address = 65535")], "65535", "point[1].address", "2 registers", "65535"),
    "far out of range": ([("address = 8", "address = 70000")], "70000", "point[1].address", "70000", "65535"),
    "negative address": ([("address = 8", "address = -1")], "-1\n", "point[1].address", "-1", "0"),
    "reference of another table": ([("address = 8", "reference = 40009")], "40009", "point[1].reference", "40009", "30001"),
    "reference of zero": ([("address = 8", "reference = 30000")], "30000", "point[1].reference", "30000", "30001"),
    "reference out of range": ([("address = 8", "reference = 365536")], "365536", "point[1].reference", "2 registers", "65535"),
    "both": ([("address = 8", "address = 8\nreference = 30009")], "address = 8", "point[1].address", "both", "one of them"),
    "neither": ([("address = 8\n", "")], '[[point]]\nname = "block', "point[1].address", "neither", "one of them"),
    "signal kind": ([('"direct"', '"dirct"')], "dirct", "point[0].signal.kind", "dirct", "direct"),
    "no signal kind": ([('kind = "direct", ', "")], 'signal = { unit = "klbf"', "point[0].signal.kind", "None", "direct"),
    "signal is no table": ([('{ kind = "direct", unit = "klbf" }', '"direct"')], '= "direct"', "point[0].signal", "direct", "a table"),
    "contact for a number": ([('{ kind = "direct", unit = "klbf" }', '{ kind = "bit" }')], 'signal = { kind = "bit" }', "point[0].signal.kind", "bit", "a number in N"),
    "number for a contact": ([('{ kind = "bit" }', '{ kind = "direct", unit = "1" }')], 'unit = "1"', "point[2].signal.kind", "direct", "contact"),
    "number out of a bit": ([('"float32"', '"bit 3"')], "bit 3", "point[0].type", "'bit 3' in the input table", "a type of numbers"),
    "contact out of a number": ([('"bit 1"', '"uint16"')], 'type = "uint16"\nsignal = { kind = "bit" }', "point[2].type", "'uint16' in the input table", '"bit N"'),
    "unit of another dimension": ([('unit = "klbf"', 'unit = "psi"')], 'unit = "psi"', "point[0].signal.unit", "psi", "klbf"),
    "range of another dimension": ([('"150 gal/min"', '"150 mm"')], "150 mm", "brake[0].point[0].signal.range", "150 mm", "gal/min"),
    "range of no width": ([('"150 gal/min"', '"0 gal/min"')], '"0 gal/min"]', "brake[0].point[0].signal.range", "the same as low", "both ends"),
    "one raw end": ([("[0, 27648]", "[0]")], "raw = [0]", "brake[0].point[0].signal.raw", "[0]", "two counts"),
    "raw in words": ([("[0, 27648]", '[0, "x"]')], '[0, "x"]', "brake[0].point[0].signal.raw", "x", "two numbers"),
    "raw beyond all bounds": ([("[0, 27648]", f"[0, 1{'0' * 400}]")], "[0, 10", "brake[0].point[0].signal.raw", "10", "two numbers"),
    "raw not a number": ([("[0, 27648]", "[0, nan]")], "nan", "brake[0].point[0].signal.raw", "nan", "two numbers"),
    "ohms in words": ([("0.01", '"0.01 ohm"')], "0.01 ohm", "point[3].signal.ohms-per-count", "0.01 ohm", "without a unit"),
    "ohms of zero": ([("0.01", "0")], "count = 0 ", "point[3].signal.ohms-per-count", "0.0", "above 0 ohm"),
    "thermometer for a flow": ([('"current-loop", raw = [0, 27648], range = ["0 gal/min", "150 gal/min"]', '"pt100"')], '"pt100" }\n\n[[brake.point]]\nname = "aux-inlet"', "brake[0].point[0].signal.kind", "pt100", "a temperature"),
    "inverted in words": ([('{ kind = "bit" }', '{ kind = "bit", inverted = "no" }')], "inverted", "point[2].signal.inverted", "no", "true or false"),
    "scan too short": ([('"200 ms"', '"1 ms"'), ('timeout = "150 ms"\n', "")], '"1 ms"', "rig.scan", "0.001 s", "20 ms to 1 s"),
    "timeout above the scan": ([('"150 ms"', '"1 s"')], '"1 s"', "device[0].timeout", "1000 ms", "at most the scan of 200 ms"),
    "port": ([("1502", "99999")], "99999", "device[0].port", "99999", "65535"),
    "outlet limit": ([('"160 degF"', '"230 degF"')], "230", "brake[0].outlet-limit", "110 degC (230 degF)", "below 100 degC"),
    "inlet limit": ([('"100 degF"', '"170 degF"')], "170", "brake[0].inlet-limit", "(170 degF)", "(160 degF)"),
    "wetting flow": ([('"5 gal/min"', '"80 gal/min"')], '"80 gal/min"', "brake[0].wetting-flow", "80 gal/min", "75 gal/min"),
    "alarm unknown": ([alarm("brake-level-hi", "")], 'brake-level-hi"', "brake[0].alarm[0].alarm", "brake-level-hi", "brake-level-high"),
    "alarm of the rig": ([alarm("signal-bad", "")], 'alarm = "signal-bad"', "brake[0].alarm[0].alarm", "signal-bad", "inlet-limit-ahead"),
    "delay too long": ([alarm("brake-level-high", 'on-delay = "60 s"')], "60 s", "brake[0].alarm[0].on-delay", "60 s", "at most 0.75 s: a quarter"),
    "delay of a lost flow": ([alarm("cooling-lost", 'on-delay = "15 s"')], "15 s", "brake[0].alarm[0].on-delay", "15 s", "at most 0.1 s"),
    "default delay too long": ([('"600 mm"', '"150 mm"')], "[[brake]]", "brake[0]", "on-delay 0.4 s for aux.brake-level-high", "0.188 s"),
    "setpoint too late": ([alarm("brake-level-high", 'setpoint = "700 mm"\nbasis = "page 3"')], "700 mm", "brake[0].alarm[0].setpoint", "27.56 in", "below the bearing level of 23.62 in"),
    "setpoint never met": ([alarm("cooling-flow-low", 'setpoint = "0 L/s"\nbasis = "page 3"')], "0 L/s", "brake[0].alarm[0].setpoint", "0 gal/min", "above zero"),
    "setpoint without quotes": ([alarm("brake-level-high", "setpoint = 2")], "setpoint = 2", "brake[0].alarm[0].setpoint", "2", "in quotes"),
    "deadband of another dimension": ([alarm("brake-level-high", 'deadband = "2 degF"')], "2 degF", "brake[0].alarm[0].deadband", "2 degF", "mm"),
    "negative deadband": ([alarm("brake-level-high", 'deadband = "-2 mm"')], "-2 mm", "brake[0].alarm[0].deadband", "-2 mm", "zero or more"),
    "setpoint where there is none": ([("[[lamp]]", '[[alarm]]\nalarm = "signal-bad"\nsetpoint = "2 m"\n[[lamp]]')], "2 m", "alarm[0].setpoint", "2 m", "has no setpoint"),
    "alarm twice": ([alarm("cooling-lost", '[[brake.alarm]]\nalarm = "cooling-lost"')], '"cooling-lost"\n[[lamp]]', "brake[0].alarm[1].alarm", "a second entry", "one entry"),
    "lamp of no alarm": ([('"cooling-lost", ', '"coolng-lost", ')], "coolng", "lamp[0].alarms", "coolng-lost", "cooling-lost"),
    "lamp without alarms": ([('alarms = ["cooling-lost", "cooling-flow-low", "pump-stopped"]', "alarms = []")], "alarms = []", "lamp[0].alarms", "[]", "at least one"),
    "two lamps of one name": ([('"level"', '"cooling"')], 'name = "cooling"\nalarms = ["brake', "lamp[1].name", "cooling", "each name once"),
    "nobody's role": ([('driller = "driller"', 'driller = "boss"')], "boss", "people.driller", "boss", "tool-pusher"),
    "topic": ([("[mqtt]", '[mqtt]\nroot = "rig/#"')], "rig/#", "mqtt.root", "rig/#", "a topic without"),
    "tables for a list": ([("[[device]]", "[device]"), *[('device = "plc1"', 'device = "plc1" ')] * 10], "[device]", "device", "a single table", "[[device]]"),
    "text for a table": ([('[mqtt]\nhost = "127.0.0.1"\nport = 1883', ""), ("schema = 1", 'schema = 1\nmqtt = "here"')], "mqtt", "mqtt", "here", "a table"),
}  # fmt: skip


@pytest.mark.parametrize("wrong", ONE)
def test_one_thing_wrong_is_one_fault_at_its_line(wrong: str) -> None:
    swaps, piece, key, found, allowed = ONE[wrong]
    text = streams.changed(TEXT, *swaps)
    said = [fault for fault in faults(text=text) if fault.key != "(file)"]
    assert [fault.key for fault in said] == [key]
    (fault,) = said
    assert fault.file == "rig.toml"
    assert fault.line == line_of(text, piece)
    assert found in fault.found
    assert allowed in fault.allowed
    assert len(str(fault)) < 320


HINTS = {
    ("least-flow", "leest-flow"): "least-flow",
    ("[people]", "[poeple]"): "people",
    ('"inlet-flow"', '"inletflow"'): "inlet-flow",
    ('"cooling-lost", ', '"coolng-lost", '): "cooling-lost",
    ('device = "plc1"', 'device = "plc_1"'): "plc1",
    ("[mqtt]", "[mqqt]"): "mqtt",
}


@pytest.mark.parametrize("swap", HINTS)
def test_near_misses_are_suggested(swap: Swap) -> None:
    (fault,) = faults(swap)
    assert fault.hint == f'did you mean "{HINTS[swap]}"?'


def test_every_fault_at_once_in_the_order_of_the_file() -> None:
    swaps = [
        ('"200 ms"', '"200 min"'),
        ("1502", "0"),
        ('"direct"', '"dirct"'),
        ("address = 8", "address = 70000"),
        ('"200 bbl"', '"200 gal"'),
        ('"75 gal/min"', '"75 degF"'),
        ("basis", "bassis"),
        ('"aux-level"', '"aux-flow"'),
        ('colour = "red"', 'colour = "violet"'),
        ('engineer = "engineer"', 'engineer = "nobody"'),
    ]
    said = faults(*swaps)
    assert [fault.key for fault in said] == [
        "rig.scan",
        "device[0].port",
        "point[0].signal.kind",
        "point[1].address",
        "tank[0].volume",
        "brake[0].least-flow",
        "brake[0].bassis",
        "brake[0].point[3].name",
        "lamp[0].colour",
        "people.engineer",
    ]
    assert [fault.line for fault in said] == sorted(fault.line for fault in said)


@pytest.mark.parametrize(
    ("swap", "key"),
    [
        (('name = "aux-outlet"', 'name = "Aux Outlet"'), "name"),
        (('name = "aux-outlet"', 'nam = "aux-outlet"'), "nam"),
        (('name = "aux-outlet"', "name = 7"), "name"),
        (('name = "aux-outlet"\n', ""), "name"),
    ],
)
def test_what_else_is_wrong_with_a_badly_named_point_shows_in_the_same_go(swap: Swap, key: str) -> None:
    said = faults(swap, ('"outlet-temperature"', '"outlet-temperatur"'))
    point = "brake[0].point[2]"
    assert {fault.key for fault in said} == {f"{point}.{key}", f"{point}.role"}


def test_a_bad_name_alone_is_one_fault_whatever_it_names() -> None:
    said = faults(('name = "rig-4"', 'name = "Rig 4"'), ('name = "plc1"', 'name = "PLC 1"'))
    assert [fault.key for fault in said] == ["rig.name", "device[0].name"]


def test_two_brakes_of_one_name() -> None:
    brake = TEXT[TEXT.index("[[brake]]") : TEXT.index("[[lamp]]")]
    said = faults(text=TEXT + "\n" + brake)
    assert said[0].found == "a second brake named 'aux'"
    assert {fault.key.rsplit(".", 1)[1] for fault in said} == {"name", "address"}


def test_no_brake() -> None:
    (fault,) = faults(text=TEXT[: TEXT.index("[[brake]]")])
    assert (fault.found, fault.allowed, fault.line) == ("no brake", "at least one [[brake]]", 1)


def test_an_empty_file() -> None:
    assert [fault.found for fault in faults(text="\n")] == ["no table", "no device", "no brake", "nothing"]


SYNTAX = {
    "no value": (TEXT.replace("schema = 1", "schema = "), 3, "Invalid value"),
    "cut short": (TEXT[: TEXT.rindex('"')], TEXT[: TEXT.rindex('"')].count("\n") + 1, "string"),
    "key twice": (TEXT.replace("1502", "1502\nport = 1"), 16, "Cannot overwrite"),
    "nested beyond all bounds": ("a = " + "[" * 5000, 1, "recursion"),
    "a number beyond all bounds": ("a = 1" + "0" * 5000, 1, "digits"),
}  # fmt: skip


SLIPS = {
    "a comma for a point": ('"75 gal/min"', "75,5", "a decimal point, no comma"),
    "a typographer's quotes": ('"75 gal/min"', "\u201c75 gal/min\u201d", 'quotes are straight: "'),
    "words behind a value": ('"75 gal/min"', '"75 gal/min" at least', ""),
}


@pytest.mark.parametrize("what", SLIPS)
def test_a_slip_of_the_keyboard_is_named_with_its_line(what: str) -> None:
    old, new, hint = SLIPS[what]
    (fault,) = faults((old, new))
    assert (fault.key, fault.line, fault.hint) == ("(syntax)", line_of(TEXT, old), hint)


@pytest.mark.parametrize("what", SYNTAX)
def test_syntax(what: str) -> None:
    text, line, found = SYNTAX[what]
    (fault,) = faults(text=text)
    assert (fault.key, fault.line) == ("(syntax)", line)
    assert found in fault.found


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RigFileError, match="no such file"):
        load(tmp_path / "rig.toml")


def test_a_file_that_is_no_text(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_bytes(b"\xff\xfe\x00schema")
    with pytest.raises(RigFileError, match="found UTF-16 text; allowed: UTF-8; save it"):
        load(tmp_path / "rig.toml")


def test_an_umlaut_of_another_encoding_is_found_by_its_line(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_bytes("schema = 1\n\n# S\u00fcd\n".encode("latin-1"))
    with pytest.raises(RigFileError, match=r"rig.toml:3: .file.: found the byte 0xfc, no UTF-8 text"):
        load(tmp_path / "rig.toml")


def test_utf_16_without_its_mark_is_named() -> None:
    (fault,) = faults(text="schema = 1\n".encode("utf-16-le").decode())
    assert "UTF-16" in fault.hint


def test_a_byte_order_mark_and_foreign_line_ends_do_no_harm(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_bytes(b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode())
    assert load(tmp_path / "rig.toml").text == TEXT


@pytest.mark.parametrize("odd", ["\u2028", "\x85", "\u2029"])
def test_odd_separators_in_a_comment_do_not_shift_lines(odd: str) -> None:
    text = streams.changed("# odd " + odd + "\n" + TEXT, ('"600 mm"', '"600 psi"'))
    assert [fault.line for fault in faults(text=text)] == [line_of(text, "600 psi")]


def test_a_multi_line_text_is_not_read_for_keys() -> None:
    text = streams.changed(
        TEXT, ('basis = "invented', 'basis = """\n[[brake]]\nleast-flow = 3\n"""\n# "'), ('"5 gal', '"500 gal')
    )
    assert [fault.line for fault in faults(text=text)] == [line_of(text, "500 gal")]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('least-flow = "75 gal/min"', 'least-flow = "750 gal/min"', "cooling-flow-low"),
        ('bearing-level = "600 mm"', 'bearing-level = "1600 mm"', "brake-level-high"),
    ],
)
def test_a_limit_that_its_transmitter_cannot_show_is_refused(old: str, new: str, told: str) -> None:
    (fault,) = faults(text=streams.changed(TEXT, (old, new)))
    assert fault.found.startswith(told)
    assert "transmitter" in fault.allowed


def test_whole_registers_of_ohms_need_to_say_how_many() -> None:
    found = faults(text=streams.changed(TEXT, (", ohms-per-count = 0.01", "")))
    assert {fault.key.rpartition(".")[2] for fault in found} == {"ohms-per-count"}
