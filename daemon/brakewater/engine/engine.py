"""Decode -> quality -> derive -> alarm, over blocks of any length; holds state, nothing else.

The engine opens no socket, reads no clock and writes no file. However a stream is cut into blocks, its events are the
same and its numbers equal to the last bit.
"""

import json
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from typing import Any, Final, TypeVar

import numpy as np

from brakewater.alarms.condition import Regions, Turn, turns
from brakewater.alarms.grouping import depth
from brakewater.alarms.lifecycle import State, Trigger
from brakewater.engine import commands
from brakewater.engine.alarm import Ledger, Moment, alarms_of
from brakewater.engine.book import Book
from brakewater.engine.byhand import CODES, Hands
from brakewater.engine.conditioned import Conditioner
from brakewater.engine.deferred import Deferred
from brakewater.engine.derive import BrakeWater
from brakewater.engine.masking import CONDITION, TRIAL, Masking, Move, suppressed
from brakewater.engine.overlay import Overlay
from brakewater.engine.read import Reader
from brakewater.engine.refusals import refused
from brakewater.engine.watched import Mask, Sights, Watched
from brakewater.engine.worked import Totals, kept_totals
from brakewater.errors import Defect, StorageError
from brakewater.quality import NOBODY_BEHIND, Status
from brakewater.rig import Rig, as_recorded, parse
from brakewater.stream import (
    TESTED,
    AlarmNow,
    Answer,
    Block,
    BookNow,
    Column,
    Command,
    Event,
    Gap,
    Input,
    Outcome,
    Picture,
    Start,
)

MOST_IDS: Final = 1024
"""Commands remembered, so that none is carried out twice."""
_LONG_AGO: Final = -(2**62)
_BOOK_NS: Final = 60_000_000_000
"""How old the upkeep book of a picture may be."""
_K = TypeVar("_K")
_OK, _EXCEPTION = np.uint8(Status.OK), np.uint8(Status.EXCEPTION)


def _trigger_of(turn: Turn) -> Trigger:
    return Trigger.CLEAR if not turn.raised else Trigger.RE_ALARM if turn.measured else Trigger.RAISE


def _last_of(columns: Mapping[_K, Column], key: _K) -> tuple[float, int]:
    column = columns[key]
    return column.values.item(-1), column.codes.item(-1)


class Engine:
    """Watches one rig. The first input must be a Start."""

    def __init__(self, *, instead: Rig | Callable[[Rig], Rig] | None = None) -> None:
        """An engine that knows nothing yet.

        Args:
            instead: a rig that stands in for the one each Start names, or what makes one of it, to ask what would have
                been. What the first Start brings goes on as over a change of the rig file; from there on its own state
                goes on, and snapshots made under the other limits are not looked at.
        """
        self._instead = instead
        self._rig: Rig | None = None
        self._run = 0
        self._marks: deque[str] = deque(maxlen=MOST_IDS)
        self.drifted: list[int] = []
        """Runs whose snapshot differs from the state that replay had come to."""
        self.left_out: tuple[str, ...] = ()
        """Keys of alarms that the version which recorded the run did not have."""
        self.begun_anew: tuple[str, ...] = ()
        """Brakes whose slow estimates did not go over the last Start."""

    def __getstate__(self) -> dict[str, Any]:
        """For a copy: what the picture shows is worked out, as what would work it out cannot be carried over."""
        return {**self.__dict__, "_derived": dict(self._derived), "_readings": dict(self._readings)}

    @property
    def rig(self) -> Rig:
        """The rig in force."""
        if self._rig is None:
            raise Defect("the engine was fed before its Start")
        return self._rig

    def feed(self, item: Input) -> Outcome:
        """Take the next input of the stream.

        Raises:
            Defect: the first input is no Start.
            RigFileError: a Start carries a rig file that this version refuses.
            StorageError: scans that do not fit the rig file.
        """
        if self._rig is None and not isinstance(item, Start):
            raise Defect("the engine was fed before its Start")
        match item:
            case Start():
                return self._start(item)
            case Block():
                return self._block(item)
            case Command():
                return self._command(item)
            case Gap():
                self._last = (item.run, item.input, item.t_ns, item.utc_ns)
                return Outcome()

    # ------------------------------------------------------------------ start

    def _start(self, start: Start) -> Outcome:
        before = self.state() if self._rig is not None else b""
        if self._instead is None and start.snapshot and before and start.snapshot != before:
            self.drifted.append(start.run)
        kept = before if before and self._instead is not None else start.snapshot
        given = self._instead if isinstance(self._instead, Rig) else parse(start.rig_toml, f"run {start.run}")
        given = self._instead(given) if callable(self._instead) else given
        then = (start.alarms, start.version) if self._instead is None else (None, None)
        rig = as_recorded(given, start.own, *then)
        self.left_out, self.begun_anew = tuple(key for key in given.keys if key not in rig.keys), ()
        self._build(rig, start.run)
        self._last = (start.run, 0, start.t_ns, start.utc_ns)
        events = tuple(self._carry_over(json.loads(kept), start)) if kept else ()
        if self._book is not None:
            was = json.loads(kept) if kept else {}
            self._book.restore(was.get("book", {}))
            if rig.practice.keeps_use:
                self._book.go_on(start.t_ns, self._worked, self._former(was.get("brakes", {}), start.t_ns))
            self._book.begin(start.t_ns, start.utc_ns, self._worked)
        return Outcome(events=events)

    def _former(self, kept: Mapping[str, Any], t_ns: int) -> Totals | None:
        """Where the counts of the rig's one brake stood under its former name; None where it has its name still."""
        names = {brake.name for brake in self.rig.brakes}
        if len(names) != 1 or len(kept) != 1 or names == kept.keys():
            return None
        (was,) = kept.values()
        return kept_totals(was["worked"], t_ns) if "worked" in was else None

    def _build(self, rig: Rig, run: int) -> None:
        self._rig, self._run = rig, run
        self._ledger = Ledger(rig=rig.name)
        self._gates = dict.fromkeys((brake.name for brake in rig.brakes), True)
        self._test_until_ns = _LONG_AGO
        self._reader = Reader(rig.slots)
        self._conditioner = Conditioner(rig)
        self._hands = Hands(rig)
        self._recalls: dict[str, int] = {}
        self._alarms = alarms_of(rig)
        self._now: tuple[AlarmNow, ...] | None = None
        """Every alarm as it stood but for those that moved since; None where any of them may have."""
        self._moved: set[int] = set()
        self._depths = [depth(alarm.rule.kind.name) for alarm in self._alarms]
        self._masking = Masking(rig, self._alarms)
        self._overlay = Overlay(rig)
        self._brakes = {brake.name: BrakeWater(rig, brake) for brake in rig.brakes}
        self._worked = {name: brake.worked for name, brake in self._brakes.items() if brake.worked is not None}
        self._book = Book(rig) if rig.upkeep is not None else None
        self._book_now: tuple[int, BookNow] | None = None
        self._watch()
        self._keys = tuple((name, key) for name, brake in self._brakes.items() for key in brake.derived)
        self._of_device = {
            name: [slot.index for slot in rig.slots if slot.point.device == name] for name in rig.device_names
        }
        self._readings: Mapping[str, tuple[float, int]] = {}
        self._derived: Mapping[tuple[str, str], tuple[float, int]] = {}
        self._status: dict[str, int] = {}
        self._last_polls = b""
        """What the polls of the last scan came to, a byte a point."""
        self._polled: tuple[bytes, dict[str, Mask]] = b"", {}
        """What the last lone scan's polls came to, and which devices that makes silent."""
        self._restless = set(range(len(self._alarms)))
        """Places of alarms that a clear scan may change."""

    def _watch(self) -> None:
        """Look at the alarms as their rules are now."""
        rules = [alarm.rule for alarm in self._alarms]
        self._watched = Watched(self.rig, rules)
        for brake in self._brakes.values():
            brake.follow(rules)
        self._stirred()

    def _stirred(self, places: Iterable[int] | None = None) -> None:
        """Alarms have moved, or may have; None: any of them."""
        if places is None:
            self._now = None
        else:
            self._moved.update(places)
        self._masking.stirred()

    def _carry_over(self, kept: dict[str, Any], start: Start) -> list[Event]:
        """State goes over by name and definition; what is gone or has changed closes with an event.

        Everything comes from what the Start brings, so a replay from here needs nothing that lay before.
        """
        self._marks, self._now = deque(kept["ids"], maxlen=MOST_IDS), None
        if "masking" in kept:  # a record of before there were masks has none
            self._masking.restore(kept["masking"])
            self._ledger.flood.restore(kept["flood"])
            self._test_until_ns = int(kept["lamp-test"])
            self._gates |= {name: gate for name, gate in kept["gates"].items() if name in self._gates}
        if "points" in kept:  # a record of before these stages has none
            self._conditioner.restore(kept["points"])
            self._hands.restore(kept["hands"])
        here = [(name, brake) for name, brake in self._brakes.items() if name in kept["brakes"]]
        self.begun_anew = tuple(name for name, brake in here if not brake.restore(kept["brakes"][name]))
        by_key = {alarm.rule.key: alarm for alarm in self._alarms}
        moment = Moment(run=start.run, input=0, t_ns=start.t_ns, utc_ns=start.utc_ns)
        events = []
        for key, was in kept["alarms"].items():
            alarm = by_key.get(key)
            if alarm is not None and alarm.definition == was["definition"]:
                alarm.restore(was)
            elif was["state"] != State.NORMAL:
                events.append(self._ledger.close(key, was, moment))
        for key, note in self._overlay.restore(kept.get("settings", {})):
            events.append(self._ledger.write(by_key[key], by_key[key].standing, moment, why="unset", note=note))
        for key in {change.alarm for change in self._overlay.shown()}:
            by_key[key].follow(self._overlay.rule(key))
        self._watch()
        self._restless = set(range(len(self._alarms)))
        return events

    # ------------------------------------------------------------------ scans

    def _block(self, block: Block) -> Outcome:
        self._fits(block)
        readings = self._reader.read(block)
        stuck = self._conditioner.feed(block, readings)
        self._recalls = self._hands.recalls()  # as the block begins: those that end within it are gone at its end
        self._hands.feed(block.t_ns, readings)
        seen, gates = {}, {}
        for name, brake in self._brakes.items():
            seen[name], gates[name] = brake.feed(block.t_ns, readings)
        booked = {} if self._book is None else self._book.columns(block.t_ns, seen)
        sights = Sights(
            readings={**readings, **booked} if booked else readings,
            seen=seen,
            gates=gates,
            silent=self._silent(block),
            stuck=stuck,
        )
        events = self._alarm(block, sights, self._watched.look(sights, len(block)))
        derived = Deferred(self._keys, lambda key: seen[key[0]][key[1]])
        self._gates = {name: bool(gate[-1]) for name, gate in gates.items()}
        self._keep(block, readings, derived)
        return Outcome(events=tuple(events), readings=readings, derived=derived)

    def _fits(self, block: Block) -> None:
        """A scan must have the words and points of its rig file, or every reading would be another's."""
        found, wanted = (block.words.shape[1], block.status.shape[1]), (self.rig.words, len(self.rig.points))
        if found != wanted:
            raise StorageError(
                f"run {block.run}, input {int(block.input[0])}: found scans of {found[0]} words and {found[1]} points;"
                f" the rig file and this version have {wanted[0]} and {wanted[1]}: recorded by another version, or"
                " replayed with a rig file of other points"
            )

    def _silent(self, block: Block) -> dict[str, Mask]:
        """Device -> [n] whether no point of it got an answer; an exception is an answer."""
        if len(block) > 1:
            return self._silent_of(block)
        polls = block.status.tobytes()
        if polls != self._polled[0]:
            self._polled = polls, self._silent_of(block)
        return self._polled[1]

    def _silent_of(self, block: Block) -> dict[str, Mask]:
        none = np.zeros(len(block), np.bool_)
        if not np.count_nonzero(block.status):  # all is well: the common case
            return dict.fromkeys(self._of_device, none)
        unanswered = (block.status != _OK) & (block.status < _EXCEPTION)
        if self.rig.practice.hears_gateway:
            unanswered |= np.isin(block.status, NOBODY_BEHIND)
        return {
            name: np.logical_and.reduce(unanswered[:, indices], axis=1) if indices else none
            for name, indices in self._of_device.items()
        }

    def _alarm(self, block: Block, sights: Sights, regions: Regions) -> list[Event]:
        turned = self._turns(block, regions)
        moves = [*self._masking.moves(block, sights.readings, sights.gates), *self._trials(block)]
        moves += [
            Move(
                at=turn.at,
                stage=CONDITION,
                index=index,
                trigger=_trigger_of(turn),
                why="unknown" if turn.unknown else "condition",
            )
            for index, turn in turned
        ]
        if not moves:
            return []
        self._stirred(move.index for move in moves)
        moves.sort(key=lambda move: (move.at, move.stage, self._depths[move.index], move.index))
        events = [event for move in moves for event in self._move(block, sights, move)]
        if not all(event.active for event in events):
            self._stirred()  # what followed from one that is over shows it no more
        return events

    def _turns(self, block: Block, regions: Regions) -> list[tuple[int, Turn]]:
        """Of every alarm whose condition comes or goes, by its place."""
        stirs = regions.tobytes() if len(block) == 1 else np.logical_or.reduce(regions, axis=1).tobytes()  # CLEAR is 0
        looked_at = sorted(self._restless.union(index for index, stir in enumerate(stirs) if stir))
        found = [
            (index, turn)
            for index in looked_at
            for turn in turns(regions[index], block.t_ns, self._alarms[index].delays, self._alarms[index].memory)
        ]
        self._restless = {index for index in looked_at if not self._alarms[index].memory.rests}
        return found

    def _trials(self, block: Block) -> Iterator[Move]:
        for index, alarm in enumerate(self._alarms):
            if alarm.trial is not None:
                for at, rises in alarm.trial.moves(block.t_ns, alarm.delays):
                    trigger = Trigger.RAISE if rises else Trigger.CLEAR
                    yield Move(at=at, stage=TRIAL, index=index, trigger=trigger, why=TESTED)

    def _move(self, block: Block, sights: Sights, move: Move) -> list[Event]:
        alarm, at = self._alarms[move.index], move.at
        if move.stage == TRIAL and alarm.trial is None:
            return []  # the real one came first
        recalled = move.trigger is Trigger.RE_ALARM and alarm.recall_ns is not None
        if move.stage in (CONDITION, TRIAL) or recalled:
            column = self._watched.column(move.index, alarm.rule, sights)
            alarm.seen = (float(column.values[at]), int(column.codes[at])) if column is not None else (0.0, 0)
            held = any(until_ns > block.t_ns[at] for until_ns in self._recalls.values())
            alarm.by_hand = alarm.seen[1] in CODES and (alarm.by_hand or held)
        moment = Moment(
            run=block.run, input=int(block.input[at]), t_ns=int(block.t_ns[at]), utc_ns=int(block.utc_ns[at])
        )
        if move.stage == TRIAL and move.trigger is Trigger.RAISE:
            actor = alarm.trial.shown.actor if alarm.trial is not None else None
            event = self._ledger.move(self._alarms, alarm, move.trigger, moment, why=TESTED, actor=actor)
            return [] if event is None else [event]
        # A test is over by its time, or because something real comes: nobody may take the one for the other.
        events = [] if alarm.trial is None else self._ledger.end_trial(alarm, moment)
        if move.stage == TRIAL:
            return events
        if move.laid is not None:
            alarm.laid[State.SUPPRESSED] = suppressed(*move.laid)
        if move.stage == CONDITION and move.trigger is Trigger.RE_ALARM:
            event = self._ledger.measured(self._alarms, alarm, moment)
        else:
            event = self._ledger.move(self._alarms, alarm, move.trigger, moment, why=move.why)
        return events if event is None else [*events, event]

    def _keep(self, block: Block, readings: dict[str, Column], derived: Mapping[tuple[str, str], Column]) -> None:
        """What the picture shows of the last scan."""
        self._readings = Deferred(readings, partial(_last_of, readings))
        self._derived = Deferred(self._keys, partial(_last_of, derived))
        polls = block.status[-1].tobytes()
        if polls != self._last_polls:
            self._last_polls = polls
            self._status = {
                name: max((polls[index] for index in indices), default=0) for name, indices in self._of_device.items()
            }
        self._last = (block.run, int(block.input[-1]), int(block.t_ns[-1]), int(block.utc_ns[-1]))

    # --------------------------------------------------------------- commands

    def _command(self, command: Command) -> Outcome:
        self._stirred()
        self._last = (command.run, command.input, command.t_ns, command.utc_ns)
        request = command.request
        mark = commands.mark(request)
        if mark in self._marks:
            no = refused("carried-before")
            return Outcome(answers=(Answer(id=request.id, actor=request.actor, ok=False, says=str(no), why=no.why),))
        self._marks.append(mark)
        desk = commands.Desk(
            rig=self.rig,
            alarms=self._alarms,
            ledger=self._ledger,
            hands=self._hands,
            overlay=self._overlay,
            gates=self._gates,
            book=self._book,
            worked=self._worked,
        )
        events, answer = commands.carry_out(command, desk)
        self._test_until_ns = max(self._test_until_ns, desk.test_until_ns)
        self._book_now = None
        if request.do in commands.SETTINGS and answer.ok:
            self._watch()
        return Outcome(events=tuple(events), answers=(answer,))

    # ---------------------------------------------------------------- outlook

    def picture(self) -> Picture:
        """The newest truth after the last input."""
        run, number, t_ns, utc_ns = self._last
        return Picture(
            run=run,
            input=number,
            t_ns=t_ns,
            utc_ns=utc_ns,
            readings=self._readings,
            derived=self._derived,
            status=dict(self._status),
            alarms=self.alarms(),
            events=self._ledger.count,
            substitutions=self._hands.shown(),
            settings=self._overlay.shown(),
            testing=t_ns < self._test_until_ns,
            flood=self._ledger.flood.at(t_ns),
            book=self.book(),
        )

    def book(self) -> BookNow | None:
        """The upkeep book as it stood at most a minute ago; None where the rig file keeps none."""
        if self._book is None:
            return None
        _, _, t_ns, utc_ns = self._last
        if self._book_now is None or t_ns - self._book_now[0] >= _BOOK_NS:
            self._book_now = t_ns, self._book.now(t_ns, utc_ns, self._worked)
        return self._book_now[1]

    def alarms(self) -> tuple[AlarmNow, ...]:
        """Every alarm as it stands, in the order of the rig."""
        if self._now is None:
            self._now = tuple(alarm.now() for alarm in self._alarms)
        elif self._moved:
            now = list(self._now)
            for place in self._moved:
                now[place] = self._alarms[place].now()
            self._now = tuple(now)
        self._moved.clear()
        return self._now

    def state(self) -> bytes:
        """Everything that goes on into the next block, as JSON with sorted keys; equal states give equal bytes."""
        kept = {
            "schema": 1,
            "ids": list(self._marks),
            "points": self._conditioner.state(),
            "hands": self._hands.state(),
            "masking": self._masking.state(),
            "settings": self._overlay.state(),
            "flood": self._ledger.flood.state(),
            "lamp-test": str(self._test_until_ns),
            "gates": self._gates,
            **({"book": self._book.state()} if self._book is not None else {}),
            "brakes": {name: brake.state() for name, brake in self._brakes.items()},
            "alarms": {alarm.rule.key: alarm.kept() for alarm in self._alarms},
        }
        return json.dumps(kept, sort_keys=True, separators=(",", ":")).encode()
