"""Print the outstation's register map, the MQTT topics and the watchdog that a PLC must build."""

import argparse
import csv
import json
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from brakewater.register_map import Layout
    from brakewater.register_rows import Row
    from brakewater.rig import Rig

_FORMATS = ("md", "csv", "json", "asyncapi")
_COLUMNS = ("table", "address", "reference", "count", "name", "type", "unit", "bad", "says")
_TABLES = {
    "register": "Registers (functions 3 and 4: the same in both tables)",
    "discrete": "Discrete inputs (function 2)",
    "coil": "Coils (functions 1, 5, 15)",
    "mailbox": "Lamp mailbox: holding registers of the PLC that the watch writes (function 16)",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    parser.add_argument("--format", choices=_FORMATS, default="md", help="default: md")


def run(args: argparse.Namespace) -> int:
    """Exit status 0."""
    from brakewater import __version__  # noqa: PLC0415 - only when needed
    from brakewater.engine.derive import DERIVED  # noqa: PLC0415
    from brakewater.notify.description import document  # noqa: PLC0415
    from brakewater.register_map import Layout  # noqa: PLC0415
    from brakewater.register_rows import rows  # noqa: PLC0415
    from brakewater.rig import load  # noqa: PLC0415

    rig = load(args.rig)
    if args.format == "asyncapi":
        print(json.dumps(document(rig, __version__), indent=2))
        return 0
    layout = Layout(rig=rig)
    found = rows(layout, DERIVED)
    if args.format == "csv":
        _print_csv(found)
    elif args.format == "json":
        print(json.dumps(_document(layout, found)))
    else:
        print("\n".join(_pages(layout, found)))
    return 0


def _cells(row: "Row") -> dict[str, Any]:
    return {**asdict(row), "reference": row.reference}


def _print_csv(found: "list[Row]") -> None:
    writer = csv.DictWriter(sys.stdout, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(_cells(row) for row in found)


def _document(layout: "Layout", found: "list[Row]") -> dict[str, Any]:
    from brakewater.notify.description import SCHEMAS, addresses, delivery, says  # noqa: PLC0415
    from brakewater.register_map import FORMAT  # noqa: PLC0415
    from brakewater.register_rows import (  # noqa: PLC0415
        CAUTIONS,
        WATCHDOG_MS,
        WATCHDOG_POLL_MS,
        WATCHDOG_WORDS,
        mailbox_watchdog,
        reasons,
        watchdog_code,
    )

    table = layout.rig.registers
    return {
        "rig": layout.rig.name,
        "outstation": table.model_dump(mode="json") if table else None,
        "format": FORMAT,
        "signature": layout.signature,
        "size": layout.size,
        "blocks": [{"first": first, "last": last} for first, last in layout.blocks],
        "rows": [{key: _cells(row)[key] for key in _COLUMNS} for row in found],
        "reasons": [asdict(one) for one in reasons()],
        "watchdog": {
            "poll_ms": WATCHDOG_POLL_MS,
            "limit_ms": WATCHDOG_MS,
            "words": list(WATCHDOG_WORDS),
            "code": watchdog_code(layout),
            "mailboxes": mailbox_watchdog(layout.rig),
        },
        "topics": [
            {"topic": topic, "qos": delivery(name)[0], "retained": delivery(name)[1], "says": says(name),
             "payload": SCHEMAS[name]}
            for name, topic in addresses(layout.rig).items()
        ],
        "cautions": list(CAUTIONS),
    }  # fmt: skip


def _pages(layout: "Layout", found: "list[Row]") -> list[str]:
    from brakewater.register_rows import CAUTIONS, WATCHDOG_WORDS, mailbox_watchdog, watchdog_code  # noqa: PLC0415

    rig = layout.rig
    lines = [f"# Register map of rig {rig.name}", "", _where(rig), ""]
    lines += [f"- {caution}" for caution in CAUTIONS]
    lines += ["", "## The watchdog that the PLC must build", ""]
    lines += [f"{number}. {sentence}" for number, sentence in enumerate(WATCHDOG_WORDS, 1)]
    lines += ["", "```", watchdog_code(layout).rstrip(), "```"]
    lines += ["", *mailbox_watchdog(rig)] if rig.mailboxes else []
    for table, title in _TABLES.items():
        of_table = [row for row in found if row.table == table]
        if of_table:
            lines += ["", f"## {title}", "", *_markdown(of_table)]
    return [*lines, "", *_reasons(), "", *_topics(rig)]


def _where(rig: "Rig") -> str:
    table = rig.registers
    if table is None:
        return "The outstation is off: this rig file has no [registers]. With it, this would be the map."
    units = f"unit {table.unit} (255 and 0 are taken, too)"
    return f"Modbus TCP at {table.host}:{table.port}, {units}, for {', '.join(table.allow)}."


def _markdown(found: "list[Row]") -> list[str]:
    head = ("address", "reference", "name", "type", "unit", "when bad", "means")
    lines = [f"| {' | '.join(head)} |", f"|{'---|' * len(head)}"]
    for row in found:
        last = f"..{row.address + row.count - 1}" if row.count > 1 else ""
        cells = (f"{row.address}{last}", row.reference, row.name, row.type, row.unit, row.bad, row.says)
        lines.append(f"| {' | '.join(cells)} |")
    return lines


def _reasons() -> list[str]:
    from brakewater.register_rows import reasons  # noqa: PLC0415

    rows = [f"| {one.code} | {one.quality} | {one.name} | {one.says} |" for one in reasons()]
    return ["## Reason codes", "", "| code | quality | name | means |", "|---|---|---|---|", *rows]


def _topics(rig: "Rig") -> list[str]:
    from brakewater.notify.description import addresses, delivery, says  # noqa: PLC0415

    state = "" if rig.mqtt else " (off: this rig file has no [mqtt])"
    lines = [f"## MQTT topics{state}", "", "| topic | QoS | retained | what |", "|---|---|---|---|"]
    for name, topic in addresses(rig).items():
        qos, retained = delivery(name)
        lines.append(f"| `{topic}` | {qos} | {'yes' if retained else 'no'} | {says(name)} |")
    return [*lines, "", "Payloads: `--format asyncapi`."]
