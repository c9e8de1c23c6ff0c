"""A study as one page that needs nothing beside itself: whose brakes weaken, whose alarms nag, whose water is bad."""

from collections.abc import Sequence
from html import escape
from typing import Any, Final

from brakewater.alarms.performance import DAY_S
from brakewater.review.sentence import of_document
from brakewater.wording import ENGLISH, LANGUAGES, Wording

_STYLE: Final = """
body { font: 11pt/1.4 system-ui, sans-serif; color: #111; background: #fff; max-width: 280mm; margin: 2em auto;
  padding: 0 1em }
table { border-collapse: collapse; width: 100%; font-size: 9.5pt } tr { page-break-inside: avoid }
th, td { border-bottom: 1px solid #999; padding: .2em .5em; text-align: left; vertical-align: top }
th.n, td.n { text-align: right; font-variant-numeric: tabular-nums }
footer { margin-top: 2em; font-size: 9pt; color: #444 }
"""
STATES: Final = ("weakening", "incident", "cannot-tell", "sound")
"""The worst first."""
HEADS: Final = {
    "study-brakes": ("record", "rig", "brake", "trips-in", "share", "change", "condition", "why"),
    "study-alarms": ("record", "rig", "per-day", "peak", "frequent", "chattering"),
    "study-water": ("record", "rig", "trips", "heat", "margin", "flow-under", "inlet-over", "outlet-over"),
    "study-what-if": ("record", "rig", "alarm", "is", "would-be"),
    "study-refused": ("record", "why"),
}
"""Word of a table's title -> what its columns are headed, each the word ``study-head-...``."""


def study_page(rows: Sequence[dict[str, Any]], settings: Sequence[str], code: str = "en") -> str:
    """HTML of a study.

    Args:
        rows: of ``study.study``.
        settings: what was asked with.
        code: of a language.
    """
    words, good = LANGUAGES[code], [row for row in rows if "error" not in row]
    bodies = {
        "study-brakes": _brakes(good, words),
        "study-alarms": _alarms(good, words),
        "study-water": _water(good),
        "study-what-if": _changes(good, words) if settings else None,
        "study-refused": [(row["record"], row["error"]) for row in rows if "error" in row] or None,
    }
    target, asked = words.word("target-per-day"), ", ".join(settings)
    parts = [
        _table(words.word(name, target=target, settings=asked), HEADS[name], body, words)
        for name, body in bodies.items()
        if body is not None
    ]
    title = words.word("study-title", n=len(rows))
    foot = f"{words.word('study-share-means')} {words.word('study-caution')}"
    return (
        f'<!doctype html><html lang="{code}"><meta charset="utf-8"><title>{escape(title)}</title>'
        f"<style>{_STYLE}</style><h1>{escape(title)}</h1>{''.join(parts)}"
        f"<footer>{escape(foot)}</footer></html>\n"
    )


def finding_lines(one: dict[str, Any], words: Wording = ENGLISH) -> list[str]:
    """Each finding of a brake as a line, and what is lacking where that leaves a question."""
    lines = [
        words.word("study-certain" if each["certain"] else "study-likely", says=of_document(each["words"]).text(words))
        for each in one["findings"]
    ]
    unsure = one["condition"] == "cannot-tell" or any(not each["certain"] for each in one["findings"])
    lacks = "; ".join(of_document(each).text(words) for each in one["lacks_words"])
    return [*lines, *([words.word("study-lacks", lacks=lacks)] if unsure and lacks else [])]


def alarm_load(figures: dict[str, Any] | None, words: Wording = ENGLISH) -> str:
    """Alarms a day that was watched; of less than a day how many there were, in how long."""
    if figures is None:
        return words.word("study-unknown")
    if figures["watched_s"] >= DAY_S:
        return f"{_per_watched_day(figures):.1f}"
    return words.word("study-alarms-in", n=figures["alarms"], hours=f"{figures['watched_s'] / 3600:.1f}")


def alarm_named(key: str, words: Wording) -> str:
    """What people call an alarm, and its key, by which settings are asked about: of no rig file, since of several."""
    kind, _, subject = key.partition(".")[2].partition(":")
    name = words.alarms.get(kind)
    return key if name is None else f"{name.format(subject=subject)} ({key})"


def _per_watched_day(figures: dict[str, Any]) -> float:
    return float(figures["alarms"]) * DAY_S / max(1.0, float(figures["watched_s"]))


def _table(title: str, head: Sequence[str], rows: Sequence[Sequence[Any]], words: Wording) -> str:
    # A column's head stands over its numbers: at the other end it is read as that of the next one.
    kinds = [' class="n"' if any(_is_number(row[at]) for row in rows) else "" for at in range(len(head))]
    heads = "".join(
        f"<th{kind}>{escape(words.word(f'study-head-{one}'))}</th>" for one, kind in zip(head, kinds, strict=True)
    )
    body = "".join("<tr>" + "".join(_cell(value, words) for value in row) + "</tr>" for row in rows)
    return f"<h2>{escape(title)}</h2><table><tr>{heads}</tr>{body}</table>"


def _is_number(value: Any) -> bool:
    return value is None or isinstance(value, int | float)


def _cell(value: Any, words: Wording) -> str:
    if value is None:
        return f'<td class="n">{escape(words.word("study-unknown"))}</td>'
    if isinstance(value, int | float):
        return f'<td class="n">{value:,.3g}</td>' if isinstance(value, float) else f'<td class="n">{value:,}</td>'
    return f"<td>{escape(str(value))}</td>"


def _brakes(rows: Sequence[dict[str, Any]], words: Wording) -> list[Sequence[Any]]:
    found = [(row, name, one) for row in rows for name, one in row["brakes"].items()]

    def worst_first(item: tuple[dict[str, Any], str, dict[str, Any]]) -> tuple[Any, ...]:
        row, _, one = item
        slope = one["trend_per_trip"]
        return STATES.index(one["condition"]), slope is None, slope or 0.0, row["record"]

    return [
        (
            row["record"], row["rig"], name, one["trips"], one["heat_share_median"], one["trend_per_trip"],
            words.word(f"study-state-{one['condition']}"), "; ".join(finding_lines(one, words)),
        )
        for row, name, one in sorted(found, key=worst_first)
    ]  # fmt: skip


def _alarms(rows: Sequence[dict[str, Any]], words: Wording) -> list[Sequence[Any]]:
    found = [(row, row["alarms"]) for row in rows if row["alarms"]]
    found.sort(key=lambda pair: (-_per_watched_day(pair[1]), pair[0]["record"]))
    return [
        (
            row["record"], row["rig"], alarm_load(one, words), one["peak_10_min"],
            ", ".join(f"{alarm_named(each['alarm'], words)} x {each['count']}" for each in one["most_frequent"][:3]),
            ", ".join(alarm_named(key, words) for key in one["chattering"]) or words.word("study-none"),
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


def _changes(rows: Sequence[dict[str, Any]], words: Wording) -> list[Sequence[Any]]:
    return [
        (row["record"], row["rig"], alarm_named(alarm, words), change["is"], change["would_be"])
        for row in rows
        for alarm, change in row["what_if"].items()
    ]
