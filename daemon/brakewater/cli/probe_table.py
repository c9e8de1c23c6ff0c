"""The probe's table: for a terminal that is watched, and as plain text."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from brakewater.cli.tables import table
from brakewater.field import spans
from brakewater.field.seen import Seen, in_unit, meaning, unit_of
from brakewater.quality import Quality, quality, reason_name
from brakewater.rig import Rig
from brakewater.signals.convert import Bit

if TYPE_CHECKING:
    from rich.table import Table

ORDERS: Final = {
    "high-first/high-first": "ABCD",
    "high-first/low-first": "BADC",
    "low-first/high-first": "CDAB",
    "low-first/low-first": "DCBA",
}
"""The four orders (words/bytes) and how they are known in the trade, with A the highest byte of a 32-bit number."""
KEY: Final = (
    "orders (words/bytes): "
    + ", ".join(f"{short} = {order}" for order, short in ORDERS.items())
    + "; > the rig file's, * plausible"
)
_COLOURS = {Quality.GOOD: "green", Quality.UNCERTAIN: "yellow", Quality.BAD: "red"}


def row(rig: Rig, seen: Seen) -> tuple[str, ...]:
    """The cells of one point."""
    point = seen.point
    value, code = seen.value
    bad = quality(code) is Quality.BAD
    judged = seen.judged is not None
    unit = unit_of(point, rig.units, judged=judged)
    number = (
        ("on" if value else "off")
        if isinstance(point.signal, Bit)
        else (f"{in_unit(value, point, rig.units, judged=judged):.6g} {unit}".strip())
    )
    shown = "--" if bad else number
    answer = f"{seen.answer_s * 1e3:.1f}" if seen.answer_s is not None else f"age {1e3 * (seen.age_s or 0.0):.0f}"
    return (
        point.name,
        f"{point.device} {point.table.value} {point.address}",
        " ".join(f"{word:04X}" for word in seen.words),
        " ".join(str(word) for word in seen.words),
        *_orders(rig, seen),
        shown,
        quality(code).name.lower(),
        reason_name(code),
        answer,
        f"{seen.answers}/{seen.failures}",
    )


HEAD: Final = ("point", "at", "hex", "decimal", *ORDERS.values(), "value", "quality", "reason", "ms", "ok/failed")


def _orders(rig: Rig, seen: Seen) -> list[str]:
    """The four readings; of a single register only its two, of a bit none."""
    found = spans.readings(seen.point, seen.words)
    register = seen.point.register
    written = spans.order_name(words=register.words_high_first, bytes_=register.bytes_high_first)
    cells = []
    for order in ORDERS:
        needless = len(seen.words) == 1 and order.startswith("low") != written.startswith("low")
        if order not in found or needless:
            cells.append("")
            continue
        value, plausible = found[order]
        text = "--" if value != value else f"{in_unit(value, seen.point, rig.units):.6g}"  # noqa: PLR0124 - NaN
        cells.append(f"{'>' if order == written else ''}{text}{'*' if plausible else ''}")
    return cells


def other_order(rig: Rig, seen: Seen) -> str:
    """What to look at where a number of several registers is none that a device sends, but is in another order."""
    register = seen.point.register
    written = spans.order_name(words=register.words_high_first, bytes_=register.bytes_high_first)
    found = spans.readings(seen.point, seen.words)
    if len(seen.words) < 2 or written not in found or found[written][1]:
        return ""
    others = [
        f"{ORDERS[order]} {in_unit(value, seen.point, rig.units):.6g} {unit_of(seen.point, rig.units)}".strip()
        for order, (value, plausible) in found.items()
        if plausible
    ]
    if not others:
        return ""
    return f"hardly in the order of the rig file ({ORDERS[written]}); plausible would be {' or '.join(others)}"


def plain_table(rig: Rig, seen: Sequence[Seen]) -> str:
    """The table, what the orders mean, and a sentence for every point that is not good."""
    lines = [table(HEAD, [row(rig, one) for one in seen]), "", KEY]
    lines += [f"{one.point.name}: {meaning(one)}" for one in seen if one.value[1]]
    lines += [f"{one.point.name}: {doubt}" for one in seen if (doubt := other_order(rig, one))]
    return "\n".join(lines)


def rich_table(rig: Rig, seen: Sequence[Seen]) -> "Table":
    """The same for a live terminal; the meaning stands in place of the reason's code name."""
    from rich.table import Table  # noqa: PLC0415 - only when needed
    from rich.text import Text  # noqa: PLC0415

    made = Table(title=f"rig {rig.name}: reading only, Ctrl-C ends", caption=KEY)
    for name in HEAD:
        made.add_column(name, justify="left" if name in ("point", "at", "reason") else "right")
    for one in seen:
        cells = row(rig, one)
        code = one.value[1]
        colour = _COLOURS[quality(code)]
        at = HEAD.index("reason")
        texts = [
            Text(cell, style=colour if number in (at - 2, at - 1, at) else "") for number, cell in enumerate(cells)
        ]
        if code:
            texts[at] = Text(meaning(one), style=colour)
        made.add_row(*texts)
    return made
