"""A trip's window replayed once for everything its report tells."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from brakewater.engine import Engine
from brakewater.errors import NothingThereError, StorageError
from brakewater.record.documents import event_doc
from brakewater.record.reader import Record
from brakewater.render import event_shown
from brakewater.review.charts import Charted, Charts, within
from brakewater.review.manner import PLAIN, Manner
from brakewater.review.replay import Tally, recorded
from brakewater.review.standing import standing
from brakewater.rig import SELF, Rig
from brakewater.stream import Answer, Block, BookNow, Command, Event, Gap, Outcome, SettingNow
from brakewater.wording import Wording

_SAID_BY_EVENTS: Final = frozenset(
    {
        "acknowledge", "silence", "reset", "shelve", "unshelve", "out-of-service", "return-to-service", "set", "unset",
        "test-alarm", "test-end",
    }
)  # fmt: skip
"""Commands of which an event tells already."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A command and what became of it."""

    utc_ns: int
    actor: str
    do: str
    args: Mapping[str, Any]
    ok: bool
    says: str

    @property
    def told(self) -> bool:
        """An event tells of it already."""
        return self.ok and self.do in _SAID_BY_EVENTS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """What a window holds."""

    rig: Rig
    """As it was at the window's end."""
    charts: Charts
    events: Sequence[dict[str, Any]]
    """Recorded ones, as people read them; those of the replay where only inputs were recorded."""
    by_replay: bool
    stood: Mapping[str, int]
    """Key of each alarm that held when it began -> since when, UTC in ns."""
    said: Sequence[Said]
    before: tuple[SettingNow, ...]
    """Settings that stood above the rig file's when it began."""
    after: tuple[SettingNow, ...]
    reasons: Mapping[str, Counter[int]]
    """Point -> how many scans had which reason code."""
    book: BookNow | None
    gaps: Sequence[Gap]
    damage: Sequence[str]


def seen(record: Record, window: tuple[int, int], manner: Manner = PLAIN) -> Seen:
    """Replay a window.

    Args:
        record: what to read.
        window: begin and end by wall time, ns; the end itself is not included.
        manner: language and units of what is told.

    Raises:
        StorageError: no scan lies in it.
    """
    engine, tally, made = Engine(), Tally(), Charted(*window)
    said: list[Said] = []
    made_events: list[Event] = []
    reasons: dict[str, Counter[int]] = {}
    before: tuple[SettingNow, ...] | None = None
    ends: tuple[Rig, tuple[SettingNow, ...], BookNow | None] | None = None
    for item, outcome in within(record, engine, tally, window):
        made_events += (one for one in outcome.events if one.utc_ns < window[1])
        if isinstance(item, Block):
            keep = (item.utc_ns >= window[0]) & (item.utc_ns < window[1])
            if keep.any():
                before = engine.picture().settings if before is None else before
                made.feed(item, engine.rig, outcome, engine.alarms())
                _count(reasons, engine.rig, outcome, keep)
                ends = engine.rig, engine.picture().settings, engine.book()
        elif isinstance(item, Command) and window[0] <= item.utc_ns < window[1]:
            said += _said(item, outcome, manner.words)
            if ends is not None:
                ends = engine.rig, engine.picture().settings, engine.book()
    if ends is None:
        raise NothingThereError("no scan lies in this window")
    rig, after, book = manner.rig(ends[0]), *ends[1:]
    events = _recorded(record, window, tally.damage)
    by_replay = not events and all(boot.startswith("simulated") for boot in tally.boots)
    in_window = [one for one in made_events if one.utc_ns >= window[0]] if by_replay else events
    shown = [event_shown(rig, event_doc(one), manner.words) for one in in_window]
    return Seen(
        rig=rig,
        charts=made.charts(),
        events=shown,
        by_replay=by_replay,
        stood=_stood(record, window, made_events if by_replay else None, tally.damage),
        said=said,
        before=before or (),
        after=after,
        reasons=reasons,
        book=book,
        gaps=[one for one in tally.gaps if window[0] <= one.utc_ns < window[1]],
        damage=tally.damage,
    )


def _stood(
    record: Record, window: tuple[int, int], events: Sequence[Event] | None, damage: list[str]
) -> Mapping[str, int]:
    try:
        return standing(record, window, events)
    except StorageError as error:
        if str(error) not in damage:
            damage.append(str(error))
        return {}


def _count(reasons: dict[str, Counter[int]], rig: Rig, outcome: Outcome, keep: np.ndarray[Any, Any]) -> None:
    for point in rig.points:
        if point.device != SELF:
            codes, counts = np.unique(outcome.readings[point.name].codes[keep], return_counts=True)
            into = reasons.setdefault(point.name, Counter())
            into.update(dict(zip(codes.tolist(), counts.tolist(), strict=True)))


def _said(item: Command, outcome: Outcome, words: Wording) -> list[Said]:
    request = item.request
    return [
        Said(
            utc_ns=item.utc_ns,
            actor=request.actor,
            do=request.do,
            args=request.args,
            ok=answer.ok,
            says=_says(answer, words),
        )
        for answer in outcome.answers
    ]


def _says(answer: Answer, words: Wording) -> str:
    """As pages say it, where they have words for it."""
    text = words.pages.get(f"refused-{answer.why}") if answer.why else None
    if text is None:
        return answer.says
    places = dict(answer.places)
    for place in ("do", "may"):
        if place in places:
            places[place] = ", ".join(words.pages.get(f"do-{verb}", verb) for verb in places[place].split(", "))
    return text.format(**places)


def _recorded(record: Record, window: tuple[int, int], damage: list[str]) -> list[Event]:
    def tell(_: int, error: StorageError) -> None:
        if str(error) not in damage:
            damage.append(str(error))

    return [event for event in recorded(record, tell) if window[0] <= event.utc_ns < window[1]]
