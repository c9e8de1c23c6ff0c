"""The tables of a trip's report: sequence of events, alarm figures, settings, sensors, upkeep."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from html import escape
from typing import Any, Final

from brakewater.book_shown import book_doc
from brakewater.book_text import health_lines, signed_lines
from brakewater.quality import Quality, quality, reason_name
from brakewater.render import alarm_name, came_first, limit_with_unit, round_now
from brakewater.review.book import round_named, round_told
from brakewater.review.proofs import Proof
from brakewater.review.trip_seen import Said, Seen
from brakewater.rig import SELF, AlarmRule, Rig
from brakewater.stream import BookNow, SettingNow
from brakewater.units import utc_text
from brakewater.wording import ENGLISH, Wording
from brakewater.zoned import exact_of, second

MOST_ROWS: Final = 4000
"""More events than a person reads; the record has them all."""
_MOST_SAID: Final = 400
FIGURES: Final = (
    ("per_day", "{:.1f}"),
    ("per_hour", "{:.2f}"),
    ("peak_10_min", "{}"),
    ("ten_min_over_10_share", "{:.1%}"),
    ("flood_share", "{:.1%}"),
    ("top_10_share", "{:.0%}"),
)
_SIGNATURE: Final = ("mechanic", "signature-time", "signature")
LISTED: Final = ("chattering", "stale")


def table(head: Sequence[str], rows: Iterable[Sequence[str]], *, first: Iterable[int] = ()) -> str:
    """Cells are HTML already; ``first`` names the rows to be made bold."""
    bold = set(first)
    heads = "".join(f'<th scope="col">{name}</th>' for name in head)
    body = "".join(
        f"<tr{' class=first' if at in bold else ''}>{''.join(f'<td>{cell}</td>' for cell in row)}</tr>"
        for at, row in enumerate(rows)
    )
    return f'<div class="wide"><table><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table></div>'


def head(words: Wording, *names: str) -> list[str]:
    """Heads of columns by the names of their words."""
    return [escape(words.word(name)) for name in names]


def sequence(found: Seen, words: Wording = ENGLISH, zone: str = "UTC") -> str:
    """Events and commands in the order they came, by the clock of a zone."""
    told = [(utc_text(since), _of_standing(found.rig, key, words), False) for key, since in found.stood.items()]
    told += [(event["t"], _of_event(event, words), came_first(event)) for event in found.events]
    told += [(utc_text(one.utc_ns), _of_command(one, words), False) for one in found.said if not one.told]
    told.sort(key=lambda one: one[0])
    if not told:
        return f"<p>{escape(words.word('nothing-recorded'))}</p>"
    shown = told[:MOST_ROWS]
    left = len(told) - len(shown)
    note = f"<p>{escape(words.word('rows-left-out', n=left))}</p>" if left else ""
    rows = [(f'<span class="t">{exact_of(t, zone)}</span>', *cells) for t, cells, _ in shown]
    first = [at for at, (_, _, is_first) in enumerate(shown) if is_first]
    return table(head(words, "time", "priority", "what"), rows, first=first) + note


def _of_event(event: dict[str, Any], words: Wording) -> tuple[str, str]:
    text = words.word("first-out-of", text=event["text"]) if came_first(event) else event["text"]
    return escape(words.word(f"priority-{event['priority']}")), escape(text)


def _of_standing(rig: Rig, key: str, words: Wording) -> tuple[str, str]:
    return "", escape(words.word("stood-already", name=alarm_name(rig, key, words)))


def _of_command(one: Said, words: Wording) -> tuple[str, str]:
    given = ", ".join(f"{key} {value}" for key, value in one.args.items() if isinstance(value, str | int | float))
    what = str(one.args.get("text", "")) if one.do == "note" else given
    refused = "" if one.ok else words.word("refused-because", says=one.says)
    return "", escape(f"{one.actor}: {words.word(f'do-{one.do}')}{f': {what}' if what else ''}{refused}"[:_MOST_SAID])


def figures(trip: dict[str, Any] | None, whole: dict[str, Any] | None, words: Wording = ENGLISH) -> str:
    """Alarm performance of the trip and of the whole record beside the published targets."""
    if trip is None or whole is None:
        return f"<p>{escape(words.word('figures-no-scan'))}</p>"
    none = words.word("count-none")
    rows: list[tuple[str, ...]] = [
        (_named(key, words), form.format(trip[key]), form.format(whole[key]), _target(key, words))
        for key, form in FIGURES
    ]
    rows += [
        (_named(key, words), *(escape(", ".join(one[key]) or none) for one in (trip, whole)), _target(key, words))
        for key in LISTED
    ]
    took = [_took(one["acknowledged_after_s"], words) for one in (trip, whole)]
    rows.append((_named("acknowledged", words), *took, ""))
    heads = head(words, "figure", "this-trip", "whole-record", "target")
    return f"{table(heads, rows)}<p>{escape(words.word('targets-from'))}</p>"


def _named(key: str, words: Wording) -> str:
    return escape(words.word(f"count-{key.replace('_', '-')}"))


def _target(key: str, words: Wording) -> str:
    return escape(words.word(f"target-{key.replace('_', '-')}"))


def _took(found: dict[str, Any], words: Wording) -> str:
    if found["median"] is None:
        return escape(words.word("took-none", never=found["never"]))
    median, longest = f"{found['median']:.0f}", f"{found['longest']:.0f}"
    return escape(words.word("took", count=found["count"], median=median, longest=longest, never=found["never"]))


def settings(
    rig: Rig,
    brake: str,
    before: Sequence[SettingNow],
    after: Sequence[SettingNow],
    words: Wording = ENGLISH,
    zone: str = "UTC",
) -> str:
    """Every alarm's settings in force at the end, with who changed what and when, and what changed in the trip."""
    changed = {(one.alarm, one.setting): one for one in after}
    rows: dict[tuple[str, ...], list[str]] = {}
    for rule in rig.alarms:
        if rule.brake in (brake, None):
            key = rule.key.partition(":")[0]
            rows.setdefault((key, *_in_force(rule, changed, rig.units, words, zone)), []).append(rule.key)
    cells = [(_names(rig, keys, words), *rest) for (_, *rest), keys in rows.items()]
    heads = head(words, "alarm", "priority", "setpoint", "on-delay", "off-delay", "never-entered")
    return f"<p>{_moved(rig, before, after, words)}</p>{table(heads, cells)}"


def _names(rig: Rig, keys: Sequence[str], words: Wording) -> str:
    """One row for the many points of one alarm, as long as they are set alike; below it the rig file's key."""
    alarm, _, first = keys[0].partition(":")
    every = f"{alarm}:{', '.join(key.partition(':')[2] for key in keys)}" if first else alarm
    key = keys[0] if len(keys) == 1 else alarm
    return f"{escape(alarm_name(rig, every, words))}<br><small>{escape(key)}</small>"


def _in_force(
    rule: AlarmRule, changed: Mapping[tuple[str, str], SettingNow], units: str, words: Wording, zone: str
) -> tuple[str, ...]:
    return (
        escape(words.word(f"priority-{rule.priority}")),
        _setting(changed.get((rule.key, "setpoint")), _setpoint(rule, units), words, zone),
        _setting(changed.get((rule.key, "on-delay")), f"{rule.on_ns / 1e9:g} s", words, zone),
        _setting(changed.get((rule.key, "off-delay")), f"{rule.off_ns / 1e9:g} s", words, zone),
        escape(", ".join(words.word(f"set-{name}") for name in sorted(rule.defaults)) or "-"),
    )


def _setpoint(rule: AlarmRule, units: str) -> str:
    if rule.setpoint is None:
        return ""
    return limit_with_unit(rule.setpoint, rule.kind.dimension, units, rule.kind.shape).replace(" ", "\u00a0")


def _setting(change: SettingNow | None, file: str, words: Wording, zone: str) -> str:
    if change is None:
        return f'<span class="t">{escape(file)}</span>'
    when = second(change.since_utc_ns, zone)
    who = words.word("set-by", actor=change.actor, when=when, was=change.was, reason=change.reason)
    return f"<strong class='t'>{escape(change.text)}</strong><br>{escape(who)}"


def _moved(rig: Rig, before: Sequence[SettingNow], after: Sequence[SettingNow], words: Wording) -> str:
    if set(before) == set(after):
        held = words.word("changed-before", n=len(after)) if after else words.word("none-above")
        return escape(words.word("none-changed", held=held))
    moved = sorted({(one.alarm, one.setting) for one in set(before) ^ set(after)})
    names = [f"{alarm_name(rig, key, words)}, {words.word(f'set-{what}')} ({key}.{what})" for key, what in moved]
    return escape(words.word("some-changed", names="; ".join(names)))


def sensors(found: Seen, proofs: Sequence[Proof], words: Wording = ENGLISH, zone: str = "UTC") -> str:
    """Each point's share of good, doubtful and bad scans, why, and what is known of the sensor."""
    proved = {proof.point: proof.told(words, zone) for proof in proofs}
    rows = []
    for point in found.rig.points:
        counts = found.reasons.get(point.name)
        if point.device == SELF or not counts:
            continue
        shares = {kind: sum(n for code, n in counts.items() if quality(code) is kind) for kind in Quality}
        total = counts.total()
        why = "; ".join(_why(code, n / total, words) for code, n in counts.most_common() if code)
        since = point.calibrated and words.word("calibrated", day=point.calibrated)
        known = ", ".join(part for part in (point.serial, since) if part)
        cells = [_percent(shares[kind], total) for kind in (Quality.GOOD, Quality.UNCERTAIN, Quality.BAD)]
        loop = proved.get(point.name, words.word("never"))
        rows.append((escape(point.name), escape(point.role), *cells, why, escape(known or "-"), escape(loop)))
    heads = ("point", "role", "good", "doubtful", "no-good", "why-not", "serial-calibration", "loop-proved")
    return table(head(words, *heads), rows)


def _percent(part: int, whole: int) -> str:
    """Never rounded to all or nothing."""
    if part in (0, whole):
        return f"{100 * part // whole}\u00a0%"
    return f"{min(99.99, max(0.01, 100 * part / whole)):.2f}\u00a0%"


def _why(code: int, share: float, words: Wording) -> str:
    name = reason_name(code)
    meaning = words.papers.get(f"meaning-{name}", "")
    return f"<strong>{escape(words.reason(name))}</strong> {share:.2%}: {escape(meaning)}"


def upkeep(rig: Rig, book: BookNow | None, words: Wording = ENGLISH, zone: str = "UTC") -> str:
    """Rounds and health as they stood at the trip's end, who signed the book then, and where the mechanic signs."""
    if book is None:
        return f"<p>{escape(words.word('no-book'))}</p>"
    doc = book_doc(rig, book) | {"time_zone": zone}
    rounds = table(head(words, "round", "brake", "state"), _rounds(book, words, zone))
    lines = "".join(f"<li>{escape(line)}</li>" for line in health_lines(doc, words, rig.units))
    signed = "<br>".join(map(escape, signed_lines(doc, words)))
    places = "".join(f"<td>{escape(words.word(key))}</td>" for key in _SIGNATURE)
    return f'{rounds}<ul>{lines}</ul><p>{signed}</p><table class="sign"><tr>{places}</tr></table>'


def _rounds(book: BookNow, words: Wording, zone: str) -> Iterator[tuple[str, str, str]]:
    for one in book.rounds:
        said = round_told(round_now(one), words, zone)
        yield escape(round_named(one.round, one.brake, words)), escape(one.brake), escape(said)
