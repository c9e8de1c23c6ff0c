"""Writes ``deploy/references/``: rig file, alarms, MQTT, outstation, events, from what the program itself goes by.

Called as: python deploy/references.py. A test regenerates them and compares: after a change run this.
"""

import ast
import contextlib
import inspect
import io
import re
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from brakewater.alarms.catalogue import CATALOGUE, AlarmKind
from brakewater.cli import main as brakewater
from brakewater.notify.description import SCHEMAS, addresses, delivery, says
from brakewater.rig import load
from brakewater.rig.tables import Model
from brakewater.stream import Event

PLACE = Path(__file__).parent / "references"
RIG = Path(__file__).parents[1] / "config" / "rig-4-full.toml"
_MADE = "<!-- Made by deploy/references.py from what the program goes by: change that, not this. -->\n"


def rig_file() -> str:
    """Every key of the tables of the rig file."""
    # The simulator's scenario files have tables of the same base, where its modules were imported as well.
    known = (one for one in _below(Model) if one.__module__.startswith("brakewater."))
    tables = sorted(
        known, key=lambda one: (one.__module__ != Model.__module__, one.__module__, inspect.getsourcelines(one)[1])
    )
    parts = [
        f"# The rig file, key by key\n\n{_MADE}",
        "`config/template.toml` explains by example; `brakewater check` holds a file against all of this and more.\n",
    ]
    for table in tables:
        parts.append(f"## {table.__name__}\n\n{_plain(inspect.getdoc(table) or '')}\n")
        parts.append("| key | what | default | |\n|---|---|---|---|\n" + "".join(_keys(table)))
    return "\n".join(parts)


def _below(of: type[BaseModel]) -> set[type[BaseModel]]:
    """All tables there are, in whichever module."""
    return {one for each in of.__subclasses__() for one in (each, *_below(each))}


def _keys(table: type[BaseModel]) -> Iterator[str]:
    said = {key: text for base in reversed(table.__mro__) for key, text in _said(base).items()}
    for name, field in table.model_fields.items():
        kind, text = said.get(name, ("", ""))
        default = "required" if field.is_required() else _default(field.get_default(call_default_factory=True), kind)
        yield f"| `{field.alias or name}` | {kind} | {default} | {_plain(text)} |\n"


def _said(of: type) -> dict[str, tuple[str, str]]:
    """Field -> what it takes, and the words below it in the source."""
    if not issubclass(of, Model):
        return {}
    (body,) = ast.parse(textwrap.dedent(inspect.getsource(of))).body
    assert isinstance(body, ast.ClassDef)
    found: dict[str, tuple[str, str]] = {}
    last = ""
    for line in body.body:
        if isinstance(line, ast.AnnAssign) and isinstance(line.target, ast.Name):
            last = line.target.id
            found[last] = (_kind(ast.unparse(line.annotation)), "")
        elif isinstance(line, ast.Expr) and isinstance(line.value, ast.Constant) and last:
            found[last] = (found[last][0], str(line.value.value))
        else:
            last = ""
    return found


_KINDS = (
    ("Nanoseconds", "time"), ("tuple", "list"), ("dict", "table"), ("bool", "true or false"),
    ("Name", "name"), ("Day", "date"), ("int", "number"), ("Address", "number"), ("Every", "number"),
    ("float", "number"), ("str", "text"),
)  # fmt: skip


def _kind(annotation: str) -> str:
    if choices := re.search(r"Literal\[([^\]]*)\]", annotation):
        return " or ".join(f"`{one.strip()}`" for one in choices[1].split(",")).replace("'", '"')
    if bounds := re.search(r"lasting\('([^']*)', '([^']*)'\)", annotation):
        return f"time, {bounds[1]} to {bounds[2]}"
    plain = re.split(r"\[| \|", annotation, maxsplit=1)[0].lower()
    return next((kind for mark, kind in _KINDS if mark in annotation), plain)


def _default(value: Any, kind: str) -> str:
    if value is None or value is PydanticUndefined or (isinstance(value, str | tuple | dict) and not value):
        return ""
    if kind.startswith("time") and isinstance(value, int):
        return f"`{value / 1e9:g} s`" if value >= 1_000_000_000 else f"`{value / 1e6:g} ms`"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"`{value}`" if isinstance(value, str | int | float) else "see the template"


def _plain(text: str) -> str:
    return " ".join(text.replace(":class:", "").replace("``", "`").split()).replace("|", "\\|")


def alarms() -> str:
    """Every alarm there can be."""
    parts = [
        f"# The alarms\n\n{_MADE}",
        "The rig file may change setpoints, delays and priorities within what `brakewater check` allows.\n",
        "An alarm whose signals a rig does not have is not watched there.\n",
    ]
    heads = (f"## {kind.name}\n\n{kind.consequence}\n\n{''.join(_rows_of(kind))}" for kind in CATALOGUE.values())
    parts.extend(heads)
    return "\n".join(parts)


_SUMMED = ", as the sum of such times; good ones between them take half of theirs off"


def _rows_of(kind: AlarmKind) -> Iterator[str]:
    rows = {
        "of": kind.scope.value, "watches": kind.quantity, "needs": ", ".join(kind.needs),
        "priority": kind.priority.value,
        "setpoint": kind.setpoint, "deadband": kind.deadband,
        "on-delay": kind.on_delay + (_SUMMED if kind.sums_times else ""), "off-delay": kind.off_delay,
        "only with the brake in service or its rotor hot": "yes" if kind.gated else "",
        "likely causes": "; ".join(kind.causes),
        "response": kind.response, "time to respond": kind.time_to_respond,
    }  # fmt: skip
    yield from (f"- {name}: {value}\n" for name, value in rows.items() if value)


def mqtt() -> str:
    """Every topic and payload."""
    rig = load(str(RIG))
    lines = [
        f"# MQTT topics and payloads\n\n{_MADE}",
        "For your rig: `brakewater map RIG --format asyncapi`.\n",
    ]
    for name, topic in addresses(rig).items():
        qos, retained = delivery(name)
        lines.append(f"## {name}\n\n`{topic}`, QoS {qos}{', retained' if retained else ''}. {says(name)}\n")
        lines.append(_schema(SCHEMAS[name]))
    return "\n".join(lines)


def _schema(schema: dict[str, Any]) -> str:
    keys = schema["properties"].items()
    rows = [f"| `{key}` | {_type(one)} | {_plain(one.get('description', ''))} |" for key, one in keys]
    return "| key | type | |\n|---|---|---|\n" + "\n".join(rows) + "\n"


def _type(one: dict[str, Any]) -> str:
    kind = one.get("type", "one of" if "enum" in one else "object or null" if "anyOf" in one else "true")
    text = " or ".join(kind) if isinstance(kind, list) else str(kind)
    return text + (" " + ", ".join(f"`{'null' if value is None else value}`" for value in one.get("enum", ()))).rstrip()


def outstation() -> str:
    """The register map of the full demo rig."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert brakewater(["map", str(RIG)]) == 0
    return f"{_MADE}\nThe map of `config/rig-4-full.toml`; that of your rig: `brakewater map RIG`.\n\n{out.getvalue()}"


def events() -> str:
    """What is recorded and published of each transition."""
    identity = (inspect.getdoc(Event.identity) or "").replace("``", "`")
    lines = [
        f"# Events\n\n{_MADE}",
        "One line a transition in `events.jsonl` and in the table `events` of a hot segment, in codes and SI.",
        "Over MQTT and in `--json` with `shown`, `text` and `respond` beside it.",
        f"Identity: {identity}\n",
        _schema(SCHEMAS["event"]),
        "What the states mean: [alarm-states.md](../alarm-states.md).\n",
    ]
    return "\n".join(lines)


PAGES = {"rig-file": rig_file, "alarms": alarms, "mqtt": mqtt, "outstation": outstation, "events": events}


def main() -> int:
    """Write them all."""
    PLACE.mkdir(exist_ok=True)
    for name, make in PAGES.items():
        (PLACE / f"{name}.md").write_text(make(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
