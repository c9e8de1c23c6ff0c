"""The MQTT topics of one rig and their payloads as an AsyncAPI 3.0 document (asyncapi.com, specification 3.0.0).

Seen from the watch: it sends all but commands. Payloads are JSON; schemas are JSON Schema, with every required key.
"""

from collections.abc import Mapping
from typing import Any, Final

from brakewater.alarms.catalogue import Priority
from brakewater.alarms.lifecycle import TEXTS
from brakewater.notify import topics
from brakewater.register_image import ASPECTS, SOUNDS
from brakewater.rig import Rig

Schema = dict[str, Any]

_TEXT: Final[Schema] = {"type": "string"}
_TEXT_OR_NONE: Final[Schema] = {"type": ["string", "null"]}
_NUMBER_OR_NONE: Final[Schema] = {"type": ["number", "null"]}
_COUNT: Final[Schema] = {"type": "integer", "minimum": 0}
_YES: Final[Schema] = {"type": "boolean"}
_TIME: Final[Schema] = {"type": "string", "format": "date-time", "description": "UTC, milliseconds"}
_QUALITY: Final[Schema] = {"enum": ["good", "uncertain", "bad"]}
_QUALITY_OR_NONE: Final[Schema] = {
    "enum": [*_QUALITY["enum"], None],
    "description": "null while the alarm is normal, as its value and reason",
}
_STATE: Final[Schema] = {"enum": list(TEXTS)}


def _of(keys: Mapping[str, Schema], *, optional: Mapping[str, Schema] | None = None, more: bool = False) -> Schema:
    return {
        "type": "object",
        "required": list(keys),
        "properties": {**keys, **(optional or {})},
        "additionalProperties": more,
    }


_SHOWN: Final = _of({"value": _NUMBER_OR_NONE, "setpoint": _NUMBER_OR_NONE, "unit": _TEXT_OR_NONE})
_VALUE: Final = _of({
    "value": {"type": ["number", "null"], "description": "SI, temperatures in degC; null where the quality is bad"},
    "quality": _QUALITY,
    "reason": _TEXT,
    "shown": _of({"value": _NUMBER_OR_NONE, "unit": _TEXT}),
})  # fmt: skip
_DERIVED_VALUE: Final = _of(
    {
        "value": {"type": ["number", "null"], "description": "SI, temperatures in degC; null where the quality is bad"},
        "quality": _QUALITY,
        "reason": _TEXT,
        "shown": _of({"value": _NUMBER_OR_NONE, "unit": _TEXT}, optional={"plus_minus": _NUMBER_OR_NONE}),
    },
    optional={"expanded": {"type": ["number", "null"], "description": "expanded uncertainty in SI, k = 2"}},
)
_PRIORITY: Final[Schema] = {"enum": [priority.value for priority in Priority]}
_ALARM: Final[dict[str, Schema]] = {
    "rig": _TEXT,
    "brake": {"type": ["string", "null"], "description": "null for an alarm of the whole rig"},
    "alarm": _TEXT,
    "priority": _PRIORITY,
    "value": {"type": ["number", "null"], "description": "SI"},
    "quality": _QUALITY,
    "reason": _TEXT,
    "setpoint": {"type": ["number", "null"], "description": "SI"},
    "first_out": _YES,
    "active": {"type": "boolean", "description": "the condition holds, also under a mask"},
    "cause": {"type": ["string", "null"], "description": "the standing alarm that this one follows from"},
    "shown": _SHOWN,
    "text": {"type": "string", "description": "one plain sentence"},
    "respond": {"type": ["string", "null"], "description": "what to do; null once the condition has gone"},
}
_TEST: Final[Schema] = {
    "description": "null but for an alarm that is tripped by hand to prove lamp and horn",
    "anyOf": [{"type": "null"}, _of({"actor": _TEXT, "reason": _TEXT, "since": _TIME, "until": _TIME})],
}
_ONLY_TESTED: Final[Schema] = {"const": True, "description": "a test by hand; real alarms call for less"}
_WHY: Final = (
    '"condition", or "unknown" where the value is; by people "command", "silence", "set", "unset"; by itself'
    ' "time-limit", "in-service", "design", "re-alarm"; "changed" by the rig file; "test": not real'
)
_MASK: Final = _of({"mask": _TEXT, "actor": _TEXT_OR_NONE, "reason": _TEXT, "since": _TEXT, "until": _TEXT_OR_NONE})
SCHEMAS: Final[dict[str, Schema]] = {
    "online": _of({"online": _YES, "since": _TEXT_OR_NONE}),
    "heartbeat": _of({"t": _TIME, "scan_age_s": _NUMBER_OR_NONE, "n": _COUNT}),
    "alarm": _of(
        {
            **_ALARM,
            "quality": _QUALITY_OR_NONE,
            "reason": _TEXT_OR_NONE,
            "state": _STATE,
            "since": _TEXT_OR_NONE,
            "silenced": _YES,
            "chattering": _YES,
            "masks": {"type": "array", "items": _MASK},
            "test": _TEST,
        }
    ),
    "event": _of(
        {
            **_ALARM,
            "run": _COUNT,
            "input": _COUNT,
            "n": _COUNT,
            "t": _TIME,
            "utc_ns": {"type": "string", "description": "the same, ns since 1970"},
            "from": _STATE,
            "to": _STATE,
            "why": {"type": "string", "description": _WHY},
            "actor": _TEXT_OR_NONE,
            "note": _TEXT_OR_NONE,
            "hash": _TEXT,
        }
    ),
    "lamp": _of({"aspect": {"enum": list(ASPECTS)}, "colour": _TEXT}, optional={"test": _ONLY_TESTED}),
    "horn": _of({"sound": {"enum": list(SOUNDS)}}, optional={"test": _ONLY_TESTED}),
    "now": _of(
        {
            "t": _TIME,
            "valid_s": {"type": "number", "description": "believe it no longer than this"},
            "run": _COUNT,
            "input": _COUNT,
            "readings": {"type": "object", "additionalProperties": _VALUE},
            "derived": {"type": "object", "additionalProperties": _DERIVED_VALUE},
        }
    ),
    "chain": _of(
        {"run": _COUNT, "commit": _COUNT, "hash": _TEXT, "t": _TIME}, optional={"key": _TEXT, "signature": _TEXT}
    ),
    "command": _of(
        {"id": {"type": "string", "pattern": "^[A-Za-z0-9][A-Za-z0-9._:-]{0,63}$"}, "do": _TEXT},
        optional={"alarm": {"type": "string", "description": 'name, or "all"'}, "brake": _TEXT},
        more=True,
    ),
    "answer": _of({"id": _TEXT_OR_NONE, "ok": _YES, "says": _TEXT}),
}
"""Message -> schema of its payload."""

_SAYS: Final = {
    "online": "Whether the watch is connected; also its will. False: lamps, horn and alarms say nothing about the rig.",
    "heartbeat": "Every second. Lamps fed by MQTT must go dark and warn without it: a will takes 15 s or more.",
    "alarm": "An alarm as it stands; deleted (an empty payload) when the watch is stopped.",
    "event": "Every event, from the committed record, in order.",
    "lamp": "What a lamp shows; who shows it does the flashing.",
    "horn": "What the horn does.",
    "now": "Live values of a brake, at most once a second.",
    "chain": "Head of the chain, at each event and at least once a minute. Kept outside, a line a head, it shows later"
    " whether the record was written anew.",
    "command": "A command. The topic is the actor: the broker's access list must let a user write only under its own"
    " name. Retained commands are refused.",
    "answer": "What became of a command; on its response topic where it names one (MQTT 5).",
}
_RETAINED: Final = ("online", "alarm", "lamp", "horn", "chain")
_AT_MOST_ONCE: Final = ("heartbeat", "now")
_RECEIVED: Final = "command"


def addresses(rig: Rig) -> dict[str, str]:
    """Message -> topic, its variable levels in braces."""
    return {
        "online": topics.online(rig),
        "heartbeat": topics.heartbeat(rig),
        "alarm": topics.alarm(rig, "{of}", "{alarm}"),
        "event": topics.event(rig, "{of}"),
        "lamp": topics.lamp(rig, "{lamp}"),
        "horn": topics.horn(rig),
        "now": topics.now(rig, "{brake}"),
        "chain": topics.chain(rig),
        "command": topics.command(rig, "{actor}"),
        "answer": topics.answer(rig, "{actor}", "{id}"),
    }


def delivery(name: str) -> tuple[int, bool]:
    """Quality of service and whether it is retained."""
    return 0 if name in _AT_MOST_ONCE else 1, name in _RETAINED


def says(name: str) -> str:
    """What a message is for."""
    return _SAYS[name]


def document(rig: Rig, version: str) -> dict[str, Any]:
    """The whole document.

    Args:
        rig: gives topics and names; without an ``[mqtt]`` table no server stands in it.
        version: of this program.
    """
    found = addresses(rig)
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": f"Brakewater on rig {rig.name}",
            "version": version,
            "description": "Advisory only: nothing here may drive, release or interlock the brake.",
        },
        "defaultContentType": "application/json",
        "servers": {} if rig.mqtt is None else {"broker": {"host": f"{rig.mqtt.host}:{rig.mqtt.port}",
                                                            "protocol": "mqtt", "protocolVersion": "5.0"}},
        "channels": {name: _channel(rig, name, address) for name, address in found.items()},
        "operations": {f"{_action(name)}-{name}": _operation(name) for name in found},
        "components": {
            "messages": {name: _message(name) for name in found},
            "schemas": SCHEMAS,
        },
    }  # fmt: skip


def _action(name: str) -> str:
    return "receive" if name == _RECEIVED else "send"


def _channel(rig: Rig, name: str, address: str) -> Schema:
    channel: Schema = {
        "address": address,
        "description": _SAYS[name],
        "messages": {name: {"$ref": f"#/components/messages/{name}"}},
    }
    parameters = {key: row for key, row in _parameters(rig).items() if f"{{{key}}}" in address}
    return {**channel, "parameters": parameters} if parameters else channel


def _parameters(rig: Rig) -> dict[str, Schema]:
    brakes = [brake.name for brake in rig.brakes]
    return {
        "of": {"description": "a brake, or rig", "enum": [*brakes, topics.OF_RIG]},
        "brake": {"description": "a brake", "enum": brakes},
        "alarm": {"description": "an alarm", "enum": sorted({topics.level(rule.name) for rule in rig.alarms})},
        "lamp": {"description": "a lamp", "enum": list(rig.windows)},
        "actor": {"description": "who commands"},
        "id": {"description": "of the command"},
    }


def _message(name: str) -> Schema:
    return {"name": name, "summary": _SAYS[name], "payload": {"$ref": f"#/components/schemas/{name}"}}


def _operation(name: str) -> Schema:
    qos, retained = delivery(name)
    operation: Schema = {
        "action": _action(name),
        "channel": {"$ref": f"#/channels/{name}"},
        "messages": [{"$ref": f"#/channels/{name}/messages/{name}"}],
        "bindings": {"mqtt": {"qos": qos, "retain": retained, "bindingVersion": "0.2.0"}},
    }
    if name == _RECEIVED:
        operation["reply"] = {"channel": {"$ref": "#/channels/answer"}}
    return operation
