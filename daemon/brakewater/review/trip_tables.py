"""The tables of a trip's report: sequence of events, alarm figures, settings, sensors, upkeep."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from html import escape
from typing import Any, Final

from brakewater.alarms.performance import TARGETS
from brakewater.quality import MEANINGS, Quality, Reason, quality, reason_name
from brakewater.render import limit_with_unit, round_now
from brakewater.review.proofs import Proof
from brakewater.review.trip_seen import Said, Seen
from brakewater.rig import SELF, AlarmRule, Rig
from brakewater.stream import BookNow, SettingNow
from brakewater.units import utc_text

MOST_ROWS: Final = 4000
"""More events than a person reads; the record has them all."""
_MOST_SAID: Final = 400
_FIGURES: Final = (
    ("per_day", "Alarms a day", "{:.1f}"),
    ("per_hour", "Alarms an hour", "{:.2f}"),
    ("peak_10_min", "Most in ten minutes", "{}"),
    ("ten_min_over_10_share", "Ten minutes with more than 10", "{:.1%}"),
    ("flood_share", "Time in flood", "{:.1%}"),
    ("top_10_share", "Share of the ten most frequent", "{:.0%}"),
)


def table(head: Sequence[str], rows: Iterable[Sequence[str]], *, first: Iterable[int] = ()) -> str:
    """Cells are HTML already; ``first`` names the rows to be made bold."""
    bold = set(first)
    heads = "".join(f'<th scope="col">{name}</th>' for name in head)
    body = "".join(
        f"<tr{' class=first' if at in bold else ''}>{''.join(f'<td>{cell}</td>' for cell in row)}</tr>"
        for at, row in enumerate(rows)
    )
    return f'<div class="wide"><table><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table></div>'


def sequence(found: Seen) -> str:
    """Events and commands in the order they came."""
    told = [(event["t"], _of_event(event), _is_first(event)) for event in found.events]
    told += [(utc_text(one.utc_ns), _of_command(one), False) for one in found.said if not one.told]
    told.sort(key=lambda one: one[0])
    if not told:
        return "<p>Nothing was recorded in this trip: no event, no command.</p>"
    shown = told[:MOST_ROWS]
    left = len(told) - len(shown)
    note = f"<p>{left} further rows are left out here; the record has them all.</p>" if left else ""
    rows = [(f'<span class="t">{t[:-1].replace("T", " ")}</span>', *cells) for t, cells, _ in shown]
    first = [at for at, (_, _, is_first) in enumerate(shown) if is_first]
    return table(("Time", "Priority", "What"), rows, first=first) + note


def _is_first(event: dict[str, Any]) -> bool:
    return bool(event["first_out"]) and event["to"] == "unacknowledged"


def _of_event(event: dict[str, Any]) -> tuple[str, str]:
    first = "First out: " if _is_first(event) else ""
    return escape(event["priority"]), first + escape(event["text"])


def _of_command(one: Said) -> tuple[str, str]:
    given = ", ".join(f"{key} {value}" for key, value in one.args.items() if isinstance(value, str | int | float))
    what = str(one.args.get("text", "")) if one.do == "note" else given
    refused = "" if one.ok else f" (refused: {one.says})"
    return "", escape(f"{one.actor}: {one.do}{f': {what}' if what else ''}{refused}"[:_MOST_SAID])


def figures(trip: dict[str, Any] | None, whole: dict[str, Any] | None) -> str:
    """Alarm performance of the trip and of the whole record beside the published targets."""
    if trip is None or whole is None:
        return "<p>Nothing was scanned.</p>"
    rows: list[tuple[str, ...]] = [
        (says, form.format(trip[key]), form.format(whole[key]), escape(TARGETS[key])) for key, says, form in _FIGURES
    ]
    rows += [
        (says, *(escape(", ".join(one[key]) or "none") for one in (trip, whole)), escape(TARGETS[key]))
        for key, says in (("chattering", "Chattering"), ("stale", "Stale, more than a day"))
    ]
    took = [_took(one["acknowledged_after_s"]) for one in (trip, whole)]
    rows.append(("Acknowledged", *took, ""))
    note = "Targets: ISA-18.2 and EEMUA 191, from memory; they are meant for 30 days or more, so a trip is a glance."
    return f"{table(('Figure', 'This trip', 'Whole record', 'Target'), rows)}<p>{note}</p>"


def _took(found: dict[str, Any]) -> str:
    if found["median"] is None:
        return f"none; {found['never']} not"
    return f"{found['count']}, median {found['median']:.0f} s, longest {found['longest']:.0f} s; {found['never']} not"


def settings(rig: Rig, brake: str, before: Sequence[SettingNow], after: Sequence[SettingNow]) -> str:
    """Every alarm's settings in force at the end, with who changed what and when, and what changed in the trip."""
    changed = {(one.alarm, one.setting): one for one in after}
    rows: dict[tuple[str, ...], list[str]] = {}
    for rule in rig.alarms:
        if rule.brake in (brake, None):
            rows.setdefault((rule.key.partition(":")[0], *_in_force(rule, changed, rig.units)), []).append(rule.key)
    cells = [(_names(keys), *rest) for (_, *rest), keys in rows.items()]
    head = ("Alarm", "Priority", "Setpoint", "On-delay", "Off-delay", "Never entered for this rig")
    return f"<p>{_moved(before, after)}</p>{table(head, cells)}"


def _names(keys: Sequence[str]) -> str:
    """One row for the many points of one alarm, as long as they are set alike."""
    alarm, _, _ = keys[0].partition(":")
    return escape(keys[0] if len(keys) == 1 else f"{alarm}: {', '.join(key.partition(':')[2] for key in keys)}")


def _in_force(rule: AlarmRule, changed: Mapping[tuple[str, str], SettingNow], units: str) -> tuple[str, ...]:
    return (
        rule.priority,
        _setting(changed.get((rule.key, "setpoint")), _setpoint(rule, units)),
        _setting(changed.get((rule.key, "on-delay")), f"{rule.on_ns / 1e9:g} s"),
        _setting(changed.get((rule.key, "off-delay")), f"{rule.off_ns / 1e9:g} s"),
        ", ".join(sorted(rule.defaults)) or "-",
    )


def _setpoint(rule: AlarmRule, units: str) -> str:
    if rule.setpoint is None:
        return ""
    return limit_with_unit(rule.setpoint, rule.kind.dimension, units, rule.kind.shape).replace(" ", "\u00a0")


def _setting(change: SettingNow | None, file: str) -> str:
    if change is None:
        return escape(file)
    when = utc_text(change.since_utc_ns)[:19].replace("T", " ")
    who = f"by {change.actor}, {when}, from {change.was}: {change.reason}"
    return f"<strong>{escape(change.text)}</strong><br>{escape(who)}"


def _moved(before: Sequence[SettingNow], after: Sequence[SettingNow]) -> str:
    if set(before) == set(after):
        held = "None stood above the rig file's." if not after else f"{len(after)} changed before it began."
        return f"No setting was changed by command in this trip. {held}"
    names = sorted({f"{one.alarm}.{one.setting}" for one in set(before) ^ set(after)})
    return escape(f"Changed by command in this trip: {', '.join(names)}. The table shows what stood at its end.")


def sensors(found: Seen, proofs: Sequence[Proof]) -> str:
    """Each point's share of good, doubtful and bad scans, why, and what is known of the sensor."""
    proved = {proof.point: proof.says for proof in proofs}
    rows = []
    for point in found.rig.points:
        counts = found.reasons.get(point.name)
        if point.device == SELF or not counts:
            continue
        shares = {kind: sum(n for code, n in counts.items() if quality(code) is kind) for kind in Quality}
        total = counts.total()
        why = "; ".join(_why(code, n / total) for code, n in counts.most_common() if code)
        known = ", ".join(
            part for part in (point.serial, point.calibrated and f"calibrated {point.calibrated}") if part
        )
        cells = [_percent(shares[kind], total) for kind in (Quality.GOOD, Quality.UNCERTAIN, Quality.BAD)]
        rows.append(
            (escape(point.name), escape(point.role), *cells, why, escape(known or "-"), proved.get(point.name, "never"))
        )
    head = ("Point", "Role", "Good", "Doubtful", "Bad", "Why not", "Serial, calibration", "Loop proved")
    return table(head, rows)


def _percent(part: int, whole: int) -> str:
    """Never rounded to all or nothing."""
    if part in (0, whole):
        return f"{100 * part // whole} %"
    return f"{min(99.99, max(0.01, 100 * part / whole)):.2f} %"


def _why(code: int, share: float) -> str:
    try:
        says = MEANINGS[Reason(code)].says
    except ValueError:
        says = ""
    return f"<strong>{escape(reason_name(code))}</strong> {share:.2%}: {escape(says)}"


def upkeep(book: BookNow | None) -> str:
    """Rounds as they stood at the trip's end."""
    if book is None:
        return "<p>No upkeep book is kept: the rig file has no [upkeep].</p>"
    rounds = table(("Round", "Brake", "State"), _rounds(book))
    gaps = "".join(
        f"<p>Air gap of {escape(gap.brake)}: mean {gap.mean_m * 1e3:.2f} mm, {gap.least_m * 1e3:.2f} to"
        f" {gap.most_m * 1e3:.2f} mm, {gap.share:.0%} of what it may drift used up thirty days ahead.</p>"
        for gap in book.gaps
    )
    return rounds + gaps


def _rounds(book: BookNow) -> Iterator[tuple[str, str, str]]:
    for one in book.rounds:
        yield escape(one.round), escape(one.brake), escape(str(round_now(one)["text"]))
