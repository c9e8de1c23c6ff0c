"""A study as one page that needs nothing beside itself: whose brakes weaken, whose alarms nag, whose water is bad."""

from collections.abc import Sequence
from html import escape
from typing import Any, Final

from brakewater.alarms.performance import TARGETS

_STYLE: Final = """
body { font: 11pt/1.4 system-ui, sans-serif; color: #111; background: #fff; max-width: 280mm; margin: 2em auto;
  padding: 0 1em }
table { border-collapse: collapse; width: 100%; font-size: 9.5pt } tr { page-break-inside: avoid }
th, td { border-bottom: 1px solid #999; padding: .2em .5em; text-align: left; vertical-align: top }
td.n { text-align: right; font-variant-numeric: tabular-nums } footer { margin-top: 2em; font-size: 9pt; color: #444 }
"""
_CAUTION: Final = (
    "Advisory monitor, not a safety instrumented system. Alarms are those that today's engine gives on the recorded"
    " inputs. A heat share is heat over hoisting work of trips in, without correction for what the drawworks take."
    " Where it says likely or cannot tell, look at the brake before anything is changed."
)


def study_page(rows: Sequence[dict[str, Any]], settings: Sequence[str]) -> str:
    """HTML of a study.

    Args:
        rows: of ``study.study``.
        settings: what was asked with.
    """
    good = [row for row in rows if "error" not in row]
    parts = [
        _table(
            "Whose brakes weaken",
            ("record", "rig", "brake", "trips in", "heat share", "change a trip", "condition", "why"),
            _brakes(good),
        ),
        _table(
            f"Whose alarms nag (target a day: {TARGETS['per_day']})",
            ("record", "rig", "alarms a day", "most in ten minutes", "most frequent", "chattering"),
            _alarms(good),
        ),
        _table(
            "Whose water is bad",
            ("record", "rig", "trips", "heat, GJ", "worst margin", "flow under, s", "inlet over, s", "outlet over, s"),
            _water(good),
        ),
    ]
    if settings:
        title = f"What would have been: {', '.join(settings)}"
        parts.append(_table(title, ("record", "rig", "alarm", "is", "would be"), _changes(good)))
    refused = [(row["record"], row["error"]) for row in rows if "error" in row]
    if refused:
        parts.append(_table("Not in it", ("record", "why"), refused))
    title = f"Study of {len(rows)} records"
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{title}</title><style>{_STYLE}</style>'
        f"<h1>{title}</h1>{''.join(parts)}<footer>{_CAUTION}</footer></html>\n"
    )


def _table(title: str, head: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    heads = "".join(f"<th>{escape(one)}</th>" for one in head)
    body = "".join("<tr>" + "".join(_cell(value) for value in row) + "</tr>" for row in rows)
    return f"<h2>{escape(title)}</h2><table><tr>{heads}</tr>{body}</table>"


def _cell(value: Any) -> str:
    if value is None:
        return '<td class="n">unknown</td>'
    if isinstance(value, int | float):
        return f'<td class="n">{value:,.3g}</td>' if isinstance(value, float) else f'<td class="n">{value:,}</td>'
    return f"<td>{escape(str(value))}</td>"


def _brakes(rows: Sequence[dict[str, Any]]) -> list[Sequence[Any]]:
    found = [
        (
            row["record"], row["rig"], name, one["trips"], one["heat_share_median"], one["trend_per_trip"],
            one["condition"].replace("-", " "),
            "; ".join(each["says"] for each in one["findings"]) or f"lacks {'; '.join(one['lacks']) or 'nothing'}",
        )
        for row in rows
        for name, one in row["brakes"].items()
    ]  # fmt: skip
    order = ("weakening", "incident", "cannot tell", "sound")
    return sorted(found, key=lambda cells: (order.index(cells[6]), cells[5] is None, cells[5] or 0.0, cells[0]))


def _alarms(rows: Sequence[dict[str, Any]]) -> list[Sequence[Any]]:
    found = [(row, row["alarms"]) for row in rows if row["alarms"]]
    found.sort(key=lambda pair: (-pair[1]["per_day"], pair[0]["record"]))
    return [
        (
            row["record"], row["rig"], float(one["per_day"]), one["peak_10_min"],
            ", ".join(f"{each['alarm']} x {each['count']}" for each in one["most_frequent"][:3]),
            ", ".join(one["chattering"]) or "none",
        )
        for row, one in found
    ]  # fmt: skip


def _water(rows: Sequence[dict[str, Any]]) -> list[Sequence[Any]]:
    found = [
        (
            row["record"], row["rig"], one["count"], one["energy_j"] / 1e9, one["worst_margin"], one["flow_under_s"],
            one["inlet_over_s"], one["outlet_over_s"],
        )
        for row in rows
        for one in (row["trips"],)
    ]  # fmt: skip
    return sorted(found, key=lambda cells: (cells[4] is None, cells[4] or 0.0, cells[0]))


def _changes(rows: Sequence[dict[str, Any]]) -> list[Sequence[Any]]:
    return [
        (row["record"], row["rig"], alarm, change["is"], change["would_be"])
        for row in rows
        for alarm, change in row["what_if"].items()
    ]
