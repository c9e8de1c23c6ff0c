"""The change of crew on one page: what stands, is set aside or forced, what was changed, what is due, what was done.

What stands now comes from a picture, what was done from the record. Everything is said in one language and units, times
in the rig's zone; the UTC of each stands beside it.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from brakewater.engine.asking import is_meant
from brakewater.engine.commands import mark
from brakewater.engine.refusals import RefusedError
from brakewater.engine.tour_commands import hand_over
from brakewater.errors import RigFileError, StorageError
from brakewater.record.documents import event_doc
from brakewater.record.reader import Record
from brakewater.render import alarm_name, alarm_now, event_shown
from brakewater.review.trips import TripLine
from brakewater.rig import Rig, parse
from brakewater.stream import Command, Event, Picture, Start
from brakewater.trips.rounds import OVERDUE
from brakewater.units import utc_text
from brakewater.wording import Wording
from brakewater.zoned import minute

TOUR_NS: Final = 12 * 3600 * 1_000_000_000
"""Of a tour nobody said the begin of: common practice, no published source."""
_MOST_NS: Final = 36 * 3600 * 1_000_000_000
VERB: Final = "hand-over"
_SETTINGS: Final = ("set", "unset")
_MASKS: Final = ("shelved", "suppressed", "out-of-service")
Line = dict[str, str | None]
"""``text``, and ``utc`` where it tells a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What people said and did in a window, of what the watch took."""

    notes: tuple[Command, ...]
    handovers: tuple[Command, ...]
    settings: tuple[Event, ...]
    """Settings changed, or given back to the rig file."""
    damaged: tuple[str, ...]
    """What of the record could not be read."""


def begun_ns(record: Record, now_ns: int) -> int:
    """When the tour began: at the last handover, where that was signed in the last 36 h; else 12 h ago."""
    last = [one.utc_ns for one in told(record, now_ns - _MOST_NS, now_ns).handovers]
    return max(last, default=now_ns - TOUR_NS)


def told(record: Record, from_ns: int, to_ns: int) -> Told:
    """Notes, handovers and settings changed in a window."""
    said: dict[str, Command] = {}
    events: list[Event] = []
    damaged: list[str] = []
    for span in record.spans(from_ns, to_ns):
        try:
            for one in _taken(record, span.run):
                said.setdefault(mark(one.request), one)  # sent again over a poor link it is refused, and was taken once
            events += [one.event for one in record.events((span.run, 0), span.run) if one.event.why in _SETTINGS]
        except StorageError as error:
            damaged.append(str(error))
    within = [one for one in said.values() if from_ns <= one.utc_ns < to_ns]
    return Told(
        notes=tuple(one for one in within if one.request.do == "note"),
        handovers=tuple(one for one in within if one.request.do == VERB),
        settings=tuple(event for event in events if from_ns <= event.utc_ns < to_ns),
        damaged=tuple(damaged),
    )


def _taken(record: Record, run: int) -> Iterator[Command]:
    """Notes and handovers of a run that the watch took: one that was refused is recorded as well."""
    rig: Rig | None = None
    for item in record.others(run):
        if isinstance(item, Start):
            try:
                rig = parse(item.rig_toml, "the recorded rig file")
            except RigFileError:
                rig = None  # of another version; who may what cannot be told
        elif isinstance(item, Command) and _is_taken(item, rig):
            yield item


def _is_taken(command: Command, rig: Rig | None) -> bool:
    request = command.request
    if not is_meant(command, rig):
        return False
    if request.do == VERB:
        try:
            hand_over(command, None)
        except RefusedError:
            return False
        return True
    text = request.args.get("text")
    return request.do == "note" and isinstance(text, str) and bool(text.strip())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Page:
    """In which words, units and zone a page speaks."""

    rig: Rig
    words: Wording

    def time(self, utc_ns: int) -> str:
        return minute(utc_ns, self.rig.time_zone)

    def line(self, text: str, utc_ns: int | None = None) -> Line:
        return {"text": text, "utc": None if utc_ns is None else utc_text(utc_ns)}

    def says(self, name: str, utc_ns: int | None = None, /, **places: object) -> Line:
        return self.line(self.words.word(name, **places), utc_ns)


def handover_doc(
    rig: Rig,
    picture: Picture,
    record: Record,
    from_ns: int,
    trips: tuple[TripLine, ...],
    words: Wording,
    damage: Sequence[str] = (),
) -> dict[str, Any]:
    """The page as a document: ``title``, ``tour``, ``sections`` of ``title`` and ``lines``, ``signed``, ``caution``.

    Args:
        rig: the rig file in force, in the viewer's units.
        picture: the newest one.
        record: what was done stands there.
        from_ns: begin of the tour, wall time.
        trips: every trip of the record that ended after it.
        words: the language.
        damage: what could not be read on the way to the picture.
    """
    page, to_ns = _Page(rig=rig, words=words), picture.utc_ns + 1
    done, lost = told(record, from_ns, to_ns), record.unreadable(from_ns, to_ns).values()
    sections = {
        "standing": list(_standing(page, picture)),
        **{mask: list(_masked(page, picture, mask)) for mask in _MASKS},
        "forced": list(_forced(page, picture)),
        "settings-changed": list(_settings(page, picture, done)),
        "rounds-due": list(_rounds(page, picture)),
        "tour-trips": list(_trips(page, trips)),
        "notes": [
            page.says("note-line", one.utc_ns, time=page.time(one.utc_ns), actor=one.request.actor, text=_text(one))
            for one in done.notes
        ],
    }
    tour = {"from": page.time(from_ns), "to": page.time(picture.utc_ns)}
    return {
        "rig": rig.name,
        "pad": rig.pad,
        "from": utc_text(from_ns),
        "to": utc_text(picture.utc_ns),
        "title": words.word("handover-title"),
        "tour": f"{words.word('tour', **tour)} ({rig.time_zone})",
        "sections": [{"name": name, "title": words.word(name), "lines": lines} for name, lines in sections.items()],
        "signed": [_signed(page, one) for one in told(record, picture.utc_ns - _MOST_NS, to_ns).handovers],
        "damaged": [words.word("page-damaged", says=says) for says in dict.fromkeys([*damage, *lost, *done.damaged])],
        "caution": words.word("handover-caution"),
    }


def _text(note: Command) -> str:
    return str(note.request.args["text"]).strip()


def _standing(page: _Page, picture: Picture) -> Iterator[Line]:
    for one in picture.alarms:
        if one.state != "normal" and not one.masks:
            text, since = alarm_now(page.rig, one, page.words)["text"], page.time(one.since_utc_ns)
            yield page.says("standing-line", one.since_utc_ns, text=text, time=since)


def _masked(page: _Page, picture: Picture, mask: str) -> Iterator[Line]:
    for alarm in picture.alarms:
        for one in alarm.masks:
            if one.mask == mask:
                until = one.until_utc_ns
                yield page.says(
                    "mask-line",
                    one.since_utc_ns,
                    name=alarm_name(page.rig, alarm.key, page.words),
                    actor=one.actor or page.words.word("by-design"),
                    reason=one.reason,
                    until="" if until is None else page.words.word("until", time=page.time(until)),
                    holds=page.words.word("mask-holds") if alarm.active else "",
                )


def _forced(page: _Page, picture: Picture) -> Iterator[Line]:
    for one in picture.substitutions:
        what = page.words.word(one.what, point=one.point, until=page.time(one.until_utc_ns), actor=one.actor)
        yield page.says("forced-line", one.since_utc_ns, what=what, reason=one.reason)


def _settings(page: _Page, picture: Picture, done: Told) -> Iterator[Line]:
    """Every setting that differs from the rig file now, whoever changed it when; and what this tour gave back."""
    for one in picture.settings:
        name, setting = alarm_name(page.rig, one.alarm, page.words), page.words.word(f"set-{one.setting}")
        places = {"alarm": name, "setting": setting, "was": one.was, "value": one.text}
        yield page.says("setting-line", one.since_utc_ns, **places, actor=one.actor, reason=one.reason)
    for event in done.settings:
        if event.why == "unset":
            text = event_shown(page.rig, event_doc(event), page.words)["text"]
            yield page.says("set-back-line", event.utc_ns, time=page.time(event.utc_ns), text=text)


def _rounds(page: _Page, picture: Picture) -> Iterator[Line]:
    for one in picture.book.rounds if picture.book is not None else ():
        if one.share >= 1.0:
            state = page.words.word("state-overdue" if one.share >= OVERDUE else "state-due")
            name = page.words.pages.get(f"round-{one.round.removeprefix(f'{one.brake}-')}", one.round)
            yield page.says("round-line", round=f"{one.brake}: {name}", state=state, percent=round(100 * one.share))


def _trips(page: _Page, trips: tuple[TripLine, ...]) -> Iterator[Line]:
    for one in trips:
        yield page.says(
            "trip-line",
            one.from_utc_ns,
            time=page.time(one.from_utc_ns),
            brake=one.brake,
            way=page.words.word("way-in" if one.lowered else "way-out"),
            stands=one.stands,
            heat=f"{one.energy_j / 1e6:.0f}",
            std=f"{2 * one.energy_std_j / 1e6:.0f}",
            peak=f"{one.peak_heat_w / 1e3:.0f}",
        )
    if trips:
        heat = f"{sum(one.energy_j for one in trips) / 1e6:.0f}"
        yield page.says("heat-total", n=len(trips), heat=heat)


def _signed(page: _Page, one: Command) -> Line:
    args: Mapping[str, Any] = one.request.args
    remark = f": {args['remark'].strip()}" if args.get("remark") else ""
    places = {"time": page.time(one.utc_ns), "by": args["by"].strip(), "to": args["to"].strip()}
    return page.says("signed-line", one.utc_ns, **places, remark=remark, actor=one.request.actor)
