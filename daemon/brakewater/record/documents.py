"""What is not a scan, as canonical JSON (RFC 8785): starts, commands, gaps and events.

RFC 8785 numbers are IEEE 754 doubles, so nanoseconds (beyond 2**53) never stand in them as numbers: those of an input
are columns of its row, that of an event is the string ``utc_ns``.
"""

import json
import math
from collections.abc import Mapping
from typing import Any

import rfc8785

from brakewater.quality import Reason, quality, reason_name
from brakewater.stream import Command, Event, Gap, Request, Start
from brakewater.units import utc_text

Document = Mapping[str, Any]

_WRAPPED = "json"
"""The one key of a wrapper: its string is plain JSON of a document that canonical JSON could not carry exactly."""


def canonical(doc: Document) -> bytes:
    """A document as RFC 8785 bytes.

    What RFC 8785 refuses (integers beyond 2**53, NaN, lone surrogates) goes as a string inside a wrapper, so that a
    stranger's odd command can never stop the record.

    Raises:
        TypeError: a value is no JSON value.
    """
    try:
        return rfc8785.dumps(dict(doc))
    except rfc8785.CanonicalizationError:
        return _wrapped(doc)


def exact(doc: Document) -> bytes:
    """As ``canonical``, and wrapped as well where numbers would come back as another type (1.0 as 1)."""
    body = canonical(doc)
    return body if json.dumps(parse(body), sort_keys=True) == json.dumps(doc, sort_keys=True) else _wrapped(doc)


def parse(body: bytes) -> dict[str, Any]:
    """The document that ``canonical`` or ``exact`` wrote.

    Raises:
        ValueError: the bytes are no JSON object.
    """
    doc = json.loads(body)
    if isinstance(doc, dict) and doc.keys() == {_WRAPPED}:
        doc = json.loads(doc[_WRAPPED])
    if not isinstance(doc, dict):
        raise ValueError("not a JSON object")  # noqa: TRY004 - what was read is at fault, not its caller
    return doc


def text_of(doc: Document, key: str) -> str:
    """A text of a document; whoever reads a record goes by that it is one.

    Raises:
        KeyError, TypeError: it is not there, or something else.
    """
    value = doc[key]
    if not isinstance(value, str):
        raise TypeError(f"{key}: found {value!r:.40}; allowed: text")
    return value


def _text_or_none(doc: Document, key: str) -> str | None:
    return None if doc.get(key) is None else text_of(doc, key)


def number_of(doc: Document, key: str) -> int:
    """A whole number of a document.

    Raises:
        KeyError, TypeError: it is not there, or something else.
    """
    value = doc[key]
    if type(value) is not int:
        raise TypeError(f"{key}: found {value!r:.40}; allowed: a whole number")
    return value


def _flag(doc: Document, key: str) -> bool:
    value = doc[key]
    if not isinstance(value, bool):
        raise TypeError(f"{key}: found {value!r:.40}; allowed: true or false")
    return value


def _wrapped(doc: Document) -> bytes:
    return rfc8785.dumps({_WRAPPED: json.dumps(doc, sort_keys=True)})


def start_body(start: Start) -> bytes:
    """Body of a Start.

    Raises:
        UnicodeDecodeError: the snapshot is no UTF-8 text.
    """
    doc: dict[str, Any] = {
        "rig_toml": start.rig_toml,
        "version": start.version,
        "boot": start.boot,
        "snapshot": start.snapshot.decode(),
    }
    if start.own is not None:
        doc["own"] = [list(one) for one in start.own]
    if start.alarms is not None:
        doc["alarms"] = list(start.alarms)
    return canonical(doc)


def start_of(run: int, t_ns: int, utc_ns: int, body: bytes) -> Start:
    """The Start of a row."""
    doc = parse(body)
    own, alarms = doc.get("own"), doc.get("alarms")
    return Start(
        run=run,
        t_ns=t_ns,
        utc_ns=utc_ns,
        boot=text_of(doc, "boot"),
        version=text_of(doc, "version"),
        rig_toml=text_of(doc, "rig_toml"),
        snapshot=text_of(doc, "snapshot").encode(),
        own=None if own is None else tuple((str(name), str(kind)) for name, kind in own),
        alarms=None if alarms is None else tuple(map(str, alarms)),
    )


def command_body(command: Command) -> bytes:
    """Body of a Command; its arguments come back exactly as they were."""
    request = command.request
    return exact({"id": request.id, "actor": request.actor, "do": request.do, "args": dict(request.args)})


def command_of(run: int, number: int, t_ns: int, utc_ns: int, body: bytes) -> Command:
    """The Command of a row."""
    doc = parse(body)
    if not isinstance(doc["args"], dict):
        raise TypeError(f"args: found {doc['args']!r:.40}; allowed: a table")
    request = Request(id=text_of(doc, "id"), actor=text_of(doc, "actor"), do=text_of(doc, "do"), args=doc["args"])
    return Command(run=run, input=number, t_ns=t_ns, utc_ns=utc_ns, request=request)


def gap_body(gap: Gap) -> bytes:
    """Body of a Gap."""
    doc = {"lost_run": gap.lost_run, "lost_first": gap.lost_first, "lost_last": gap.lost_last, "why": gap.why}
    return canonical(doc)


def gap_of(run: int, number: int, t_ns: int, utc_ns: int, body: bytes) -> Gap:
    """The Gap of a row."""
    doc = parse(body)
    return Gap(
        run=run,
        input=number,
        t_ns=t_ns,
        utc_ns=utc_ns,
        lost_run=number_of(doc, "lost_run"),
        lost_first=number_of(doc, "lost_first"),
        lost_last=number_of(doc, "lost_last"),
        why=text_of(doc, "why"),
    )


def event_doc(event: Event) -> dict[str, Any]:
    """An event as it is recorded: codes and SI. A value that is no finite number is null."""
    return {
        "run": event.run,
        "input": event.input,
        "n": event.n,
        "t": utc_text(event.utc_ns),
        "utc_ns": str(event.utc_ns),
        "rig": event.rig,
        "brake": event.brake,
        "alarm": event.alarm,
        "from": event.was,
        "to": event.now,
        "priority": event.priority,
        "value": _finite(event.value),
        "quality": quality(event.reason).name.lower(),
        "reason": reason_name(event.reason),
        "setpoint": _finite(event.setpoint),
        "why": event.why,
        "actor": event.actor,
        "first_out": event.first_out,
        "active": event.active,
        "cause": event.cause,
        "note": event.note,
    }


def event_of(doc: Document) -> Event:
    """The event of a recorded document; ``event_of(event_doc(e)) == e`` for finite values.

    Raises:
        KeyError, ValueError, TypeError: a key is missing or holds what no event has.
    """
    return Event(
        run=number_of(doc, "run"),
        input=number_of(doc, "input"),
        n=number_of(doc, "n"),
        utc_ns=int(doc["utc_ns"]),
        rig=text_of(doc, "rig"),
        brake=_text_or_none(doc, "brake"),
        alarm=text_of(doc, "alarm"),
        was=text_of(doc, "from"),
        now=text_of(doc, "to"),
        priority=text_of(doc, "priority"),
        value=_float(doc["value"]),
        reason=_reason_code(doc["reason"]),
        setpoint=_float(doc["setpoint"]),
        why=text_of(doc, "why"),
        actor=_text_or_none(doc, "actor"),
        first_out=_flag(doc, "first_out"),
        active="active" in doc and _flag(doc, "active"),
        cause=_text_or_none(doc, "cause"),
        note=_text_or_none(doc, "note"),
    )


def _finite(value: float | None) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def _float(value: float | None) -> float | None:
    # JSON knows one kind of number: 21.0 is written as 21.
    return None if value is None else float(value)


def _reason_code(name: str) -> int:
    if name.startswith("code-"):
        return int(name.removeprefix("code-"))
    return Reason[name.upper().replace("-", "_")].value
