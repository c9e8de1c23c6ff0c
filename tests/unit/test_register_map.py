"""The outstation's layout and image: fixed places, bad values at their alarm side, nothing shown that is stale."""

import struct
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest

from brakewater import register_map as places
from brakewater.alarms.catalogue import CATALOGUE, Scope
from brakewater.engine.derive import DERIVED
from brakewater.notify.description import SCHEMAS, document
from brakewater.record.documents import event_doc
from brakewater.register_image import Links, Sight, bits, health_word, image, lamp_words, mailbox_words
from brakewater.register_map import Cell, Layout
from brakewater.register_rows import WATCHDOG_MS, WATCHDOG_POLL_MS, mailbox_watchdog, rows, watchdog_code
from brakewater.render import alarm_now, event_shown, horn_now, lamps, now
from brakewater.rig import Rig
from brakewater.rig.roles import ROLES
from brakewater.stream import AlarmTest
from rig_parts import demo_rig, event, picture

TWO = demo_rig(more='\n[registers]\nhost = "127.0.0.1"\n')
SECOND_BRAKE = '\n[[brake]]\nname = "main"\nleast-flow = "150 gal/min"\nbearing-level = "700 mm"\n' + "".join(
    f'[[brake.point]]\nname = "main-{name}"\nrole = "{role}"\ndevice = "plc1"\ntable = "input"\naddress = {at}\n'
    f'signal = {{ kind = "linear", raw = [0, 1000], range = ["0 {unit}", "{top} {unit}"] }}\n'
    for at, (name, role, unit, top) in enumerate(
        [
            ("flow", "inlet-flow", "gal/min", 300),
            ("inlet", "inlet-temperature", "degC", 100),
            ("outlet", "outlet-temperature", "degC", 100),
            ("level", "brake-level", "mm", 1000),
        ],
        50,
    )
)


def sight(rig: Rig, *, watching: bool = True, links: Links | None = None, **states: str) -> Sight:
    named = {key.replace("__", ".").replace("_", "-"): state for key, state in states.items()}
    return Sight(picture=picture(rig, named, number=70_001), beats=513, watching=watching, links=links or Links())


def words(registers: bytes, address: int, count: int = 1) -> tuple[int, ...]:
    return struct.unpack_from(f">{count}H", registers, 2 * address)


def cell(layout: Layout, quantity: str, brake: str | None = "aux") -> Cell:
    return next(one for one in layout.cells if (one.quantity, one.brake) == (quantity, brake))


def seen(registers: bytes, one: Cell) -> tuple[float, int, int]:
    value, quality, reason = struct.unpack_from(">fHH", registers, 2 * one.address)
    return value, quality, reason


def test_every_alarm_and_every_role_has_a_place() -> None:
    of_brake = {kind.name for kind in CATALOGUE.values() if kind.scope is Scope.BRAKE}
    of_rig = {kind.name for kind in CATALOGUE.values()} - of_brake
    assert of_brake <= set(places.ALARMS_OF_BRAKE)
    assert of_rig <= set(places.ALARMS_OF_RIG)
    assert max(len(places.ALARMS_OF_BRAKE), len(places.ALARMS_OF_RIG)) <= places.OTHER_ALARM
    shown = {(one.quantity, one.brake is not None) for one in Layout(rig=demo_rig()).cells}
    roles = {(name, role.brake) for name, role in ROLES.items() if not name.startswith(places.NOT_SHOWN)}
    assert roles <= shown
    # a brake's block is full: what came later does not stand there, but all that stands there is derived
    assert set(places._DERIVED) <= set(DERIVED)


def test_places_are_what_plcs_were_built_on() -> None:
    """A change of any of these is a new format."""
    layout = Layout(rig=demo_rig())
    fixed = {one.quantity: one.address for one in layout.cells if one.brake == "aux"}
    assert places.FORMAT == 1
    assert (fixed["inlet-flow"], fixed["brake-level"], fixed["filter-differential"]) == (206, 218, 254)
    assert (fixed["outlet_rise_k"], fixed["cooling_margin"], fixed["cooling_ready"]) == (258, 274, 314)
    assert cell(layout, "tank-temperature", None).address == 126
    assert places.ALARMS_OF_BRAKE.index("rotor-hot-no-flow") == 15
    assert places.ALARMS_OF_RIG.index("broker-lost") == 12


def test_blocks_fit_one_request_and_show_a_torn_read() -> None:
    rig = demo_rig(more=SECOND_BRAKE)
    layout = Layout(rig=rig)
    made = image(layout, sight(rig))
    assert layout.blocks == ((0, 99), (100, 199), (200, 319), (400, 519))
    assert layout.size == 520 == len(made) // 2
    for first, last in layout.blocks:
        assert last - first < 125  # registers of one request, by the protocol
        assert words(made, first) == words(made, last) == (70_001 & 0xFFFF,)


def test_no_two_entries_share_a_register() -> None:
    found = rows(Layout(rig=demo_rig(more=SECOND_BRAKE)), DERIVED)
    for table in ("register", "discrete", "coil"):
        spans = sorted((row.address, row.address + row.count) for row in found if row.table == table)
        assert all(end <= first for (_, end), (first, _) in pairwise(spans))
    assert max(Counter((row.table, row.name) for row in found if row.name != "scans").values()) <= 2


def test_a_brake_more_moves_nothing() -> None:
    one, two = Layout(rig=demo_rig()), Layout(rig=demo_rig(more=SECOND_BRAKE))
    assert two.cells[: len(one.cells)] == one.cells
    assert two.bit_words[: len(one.bit_words)] == one.bit_words
    assert one.signature != two.signature


def test_the_signature_tells_units_and_meaning_but_not_limits() -> None:
    signature = Layout(rig=demo_rig()).signature
    assert Layout(rig=demo_rig(**{'"us"': '"metric"'})).signature != signature
    assert Layout(rig=demo_rig(**{'name = "level"': 'name = "water"'})).signature != signature
    assert Layout(rig=demo_rig(**{"600 mm": "650 mm"})).signature == signature


def test_values_stand_in_the_crews_unit_with_their_quality() -> None:
    rig = demo_rig()
    layout = Layout(rig=rig)
    made = image(layout, sight(rig))
    assert seen(made, cell(layout, "inlet-flow")) == (pytest.approx(61.2, rel=1e-6), 0, 0)
    assert seen(made, cell(layout, "inlet-temperature")) == (pytest.approx(68.0), 0, 0)  # 20 degC is 68 degF, exactly
    assert seen(made, cell(layout, "brake-level")) == (pytest.approx(0.3 / 0.0254), 1, 30)
    assert seen(made, cell(layout, "heat_w")) == (pytest.approx(654.98), 0, 0)


@pytest.mark.parametrize("watching", [True, False])
def test_bad_values_stand_at_their_alarm_side(*, watching: bool) -> None:
    rig = demo_rig()
    layout = Layout(rig=rig)
    made = image(layout, sight(rig, watching=watching))
    assert seen(made, cell(layout, "outlet-temperature")) == (pytest.approx(392.0), 2, 92 if watching else 70)
    assert seen(made, cell(layout, "return-flow")) == (0.0, 2, 255)
    assert seen(made, cell(layout, "outlet_rise_k"))[1] == 2
    if not watching:
        assert {seen(made, one)[1] for one in layout.cells} == {2}
        assert seen(made, cell(layout, "inlet-flow")) == (0.0, 2, 70)
        assert seen(made, cell(layout, "in-service")) == (1.0, 2, 70)
        assert seen(made, cell(layout, "cooling_margin")) == (0.0, 2, 70)


def test_before_the_first_scan_nothing_is_known_and_what_is_not_fitted_stays_so() -> None:
    rig = demo_rig()
    layout = Layout(rig=rig)
    begun = replace(picture(rig), readings={}, derived={})
    made = image(layout, Sight(picture=begun, beats=1, watching=True, links=Links()))
    assert seen(made, cell(layout, "outlet-temperature")) == (pytest.approx(392.0), 2, 70)
    assert seen(made, cell(layout, "return-flow")) == (0.0, 2, 255)


def test_a_number_too_large_for_a_float_is_cut_off() -> None:
    rig = demo_rig()
    layout = Layout(rig=rig)
    shown = picture(rig)
    shown = replace(shown, derived={**shown.derived, ("aux", "heat_w"): (1e300, 0)})
    made = image(layout, Sight(picture=shown, beats=1, watching=True, links=Links()))
    assert seen(made, cell(layout, "heat_w"))[0] == pytest.approx(3.4e38)


def test_alarm_bits_tell_active_from_unacknowledged() -> None:
    rig = demo_rig()
    layout = Layout(rig=rig)
    states = {
        "aux__cooling_lost": "acknowledged",
        "aux__brake_level_high": "unacknowledged",
        "aux__cooling_flow_low": "returned-unacknowledged",
        "aux__outlet_temperature_high": "latched-acknowledged",
        "rig__broker_lost": "unacknowledged",
    }
    states = {key.replace("__", ".").replace("_", "-"): state for key, state in states.items()}
    shown = Sight(picture=picture(rig, states), beats=1, watching=True, links=Links())
    made = image(layout, shown)
    assert words(made, 202, 4) == (1 << 0 | 1 << 7, 0, 1 << 1 | 1 << 7, 0)
    assert words(made, places.ACTIVE, 4) == (1 << 12, 0, 1 << 12, 0)
    discrete = bits(layout, made)
    assert discrete >> 128 & 0xFFFF == 1 << 0 | 1 << 7  # the brake's first word of active alarms
    assert discrete >> 16 & 0xFFFF == 1 << 12
    assert words(made, places.HORN) == (1,)


def test_an_alarm_without_a_place_is_never_lost() -> None:
    rig = demo_rig()
    shown = picture(rig)
    strange = replace(shown.alarms[0], alarm="some-later-kind", state="unacknowledged")
    made = image(
        Layout(rig=rig),
        Sight(picture=replace(shown, alarms=(strange,)), beats=1, watching=True, links=Links()),
    )
    assert words(made, 202, 4) == (0, 1 << 15, 0, 1 << 15)


def test_health_says_what_is_well() -> None:
    rig = demo_rig()
    assert health_word(sight(rig)) == 0b0001111
    assert health_word(sight(rig, watching=False)) == 0b0001110
    assert health_word(sight(rig, links=Links(recording=False))) == 0b0001101
    assert health_word(sight(rig, links=Links(broker=False, mirrors=False))) == 0b0000011
    assert health_word(sight(rig, aux__cooling_lost="acknowledged")) == 0b0101111
    assert health_word(sight(rig, aux__cooling_lost="returned-unacknowledged")) == 0b1001111
    silent = replace(picture(rig), status={"plc1": 1, "self": 0})
    assert health_word(Sight(picture=silent, beats=1, watching=True, links=Links())) == 0b0011111
    refused = replace(picture(rig), status={"plc1": 0x82, "self": 0})
    assert health_word(Sight(picture=refused, beats=1, watching=True, links=Links())) == 0b0001111
    for code in (10, 11):  # a gateway's word for a device behind it that does not answer
        nobody = replace(picture(rig), status={"plc1": 0x80 | code, "self": 0})
        assert health_word(Sight(picture=nobody, beats=1, watching=True, links=Links())) == 0b0011111
    assert health_word(Sight(picture=None, beats=0, watching=False, links=Links())) == 0b0001110


def test_lamps_and_a_mailbox() -> None:
    rig = demo_rig()
    shown = sight(rig, aux__cooling_lost="acknowledged", aux__brake_level_high="unacknowledged")
    assert lamp_words(rig, shown) == [1, 1, 2, 0, 0, 0]
    assert lamp_words(rig, replace(shown, watching=False)) == [0, 1, 2, 0, 0, 0]
    assert lamp_words(rig, replace(shown, picture=None, watching=False)) == [0, 0, 0, 0, 0, 0]
    assert mailbox_words(rig, shown, 10) == (513, health_word(shown), 1, 1, 1, 2, 0, 0, 0, 0)
    made = image(Layout(rig=rig), shown)
    assert words(made, places.LAMPS, 5) == (1, 1, 2, 0, 0)
    assert words(made, places.LIT) == (0b111,)


def test_references_count_from_one() -> None:
    found = rows(Layout(rig=demo_rig()), DERIVED)
    first = {(row.table, row.address): row.reference for row in found}
    assert first["register", 0] == "40001"
    assert first["discrete", 16] == "10017"
    assert first["coil", 0] == "00001"
    assert replace(found[0], address=9998).reference == "49999"
    assert replace(found[0], address=9999).reference == "410000"


def test_the_map_says_what_is_not_fitted() -> None:
    says = {row.name: row.says for row in rows(Layout(rig=demo_rig()), DERIVED)}
    assert says["aux inlet-flow"].startswith("point aux-flow")
    assert says["aux return-flow"] == "not on this rig: always bad"
    assert says["aux heat"].startswith("derived (heat_w)")


def test_the_watchdog_names_this_rigs_signature() -> None:
    layout = Layout(rig=TWO)
    text = watchdog_code(layout)
    assert f"16#{layout.signature >> 16:04X}" in text
    assert f"16#{layout.signature & 0xFFFF:04X}" in text
    assert "T#1300ms" in text


def test_the_watchdog_falls_within_two_seconds() -> None:
    """The beat seen a poll late, its absence seen a poll later, the timer; and no false fall at the slowest cadence."""
    assert 2 * WATCHDOG_POLL_MS + WATCHDOG_MS <= 2000
    slowest_scan_ms = 1000
    assert slowest_scan_ms + WATCHDOG_POLL_MS <= WATCHDOG_MS


@pytest.mark.parametrize("refresh_ms", [100, 1000, 10_000])
def test_a_mailbox_that_is_written_in_time_is_never_taken_for_a_stopped_watch(refresh_ms: int) -> None:
    """A beat may come as late as the slowest cadence, then wait for a refresh; and no computer is on time to the ms."""
    rig = demo_rig(
        more='\n[[lamp-mailbox]]\ndevice = "plc1"\naddress = 50\ncount = 10\nsignature = 17\n'
        f'refresh = "{refresh_ms} ms"\n'
    )
    (says,) = mailbox_watchdog(rig)
    limit_s = float(says.partition("stood still for ")[2].partition(" s,")[0])
    slowest_scan_ms, unpunctual_ms = 1000, 250
    assert refresh_ms + slowest_scan_ms + unpunctual_ms <= 1000 * limit_s <= refresh_ms + 1500


def _keys_fit(found: object, schema: dict[str, object]) -> None:
    """Objects have exactly the keys their schema demands; a small part of JSON Schema, enough to notice a drift."""
    if "anyOf" in schema:
        null, full = schema["anyOf"]  # type: ignore[misc]
        _keys_fit(found, null if found is None else full)
    elif isinstance(found, dict) and "properties" in schema:
        assert set(schema["required"]) <= set(found) <= set(schema["properties"])  # type: ignore[call-overload]
        for key, value in found.items():
            _keys_fit(value, schema["properties"][key])  # type: ignore[index]
    elif isinstance(found, dict) and isinstance(schema.get("additionalProperties"), dict):
        for value in found.values():
            _keys_fit(value, schema["additionalProperties"])  # type: ignore[arg-type]
    elif "const" in schema:
        assert found is schema["const"]
    elif "enum" in schema:
        assert found in schema["enum"]  # type: ignore[operator]
    else:
        names = {
            str: "string",
            bool: "boolean",
            int: "integer",
            float: "number",
            type(None): "null",
            dict: "object",
            list: "array",
        }
        allowed = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
        name = names[type(found)]
        assert name in allowed or (name == "integer" and "number" in allowed)


def test_schemas_fit_the_payloads_that_are_sent() -> None:
    rig = demo_rig()
    shown = picture(rig, {"aux.cooling-lost": "unacknowledged"})
    _keys_fit(event_shown(rig, {**event_doc(event()), "hash": "ab"}), SCHEMAS["event"])
    for alarm in shown.alarms:  # all but the first are normal: nothing was seen
        _keys_fit(alarm_now(rig, alarm), SCHEMAS["alarm"])
    _keys_fit(now(rig, shown, "aux", 3.0), SCHEMAS["now"])
    _keys_fit(lamps(rig, shown)["cooling"], SCHEMAS["lamp"])
    _keys_fit(horn_now(TWO, shown), SCHEMAS["horn"])
    tested = replace(shown.alarms[0], test=AlarmTest(actor="tech", reason="x", since_utc_ns=1, until_utc_ns=2))
    shown = replace(shown, alarms=(tested, *shown.alarms[1:]))
    for found, name in (
        (alarm_now(rig, tested), "alarm"),
        (lamps(rig, shown)["cooling"], "lamp"),
        (horn_now(TWO, shown), "horn"),
    ):
        assert found["test"]
        _keys_fit(found, SCHEMAS[name])


def test_the_asyncapi_document_refers_only_to_what_it_holds() -> None:
    made = document(demo_rig(), "1")
    assert made["asyncapi"] == "3.0.0"
    assert made["servers"]["broker"]["host"] == "127.0.0.1:1883"
    for operation in made["operations"].values():
        name = operation["channel"]["$ref"].removeprefix("#/channels/")
        assert made["channels"][name]["messages"][name]["$ref"] == f"#/components/messages/{name}"
        assert (
            made["components"]["messages"][name]["payload"]["$ref"].rpartition("/")[2] in made["components"]["schemas"]
        )
    assert made["operations"]["receive-command"]["action"] == "receive"
    assert made["channels"]["alarm"]["address"] == "brakewater/rig-4/{of}/alarm/{alarm}"
    assert set(made["channels"]["alarm"]["parameters"]) == {"of", "alarm"}
