"""The commands that trip an alarm to prove its lamp and horn, and that end this early: test-alarm, test-end."""

from typing import Final

from brakewater.alarms.lifecycle import State
from brakewater.engine.alarm import Alarm, moment_of
from brakewater.engine.alarm_commands import Bench, sounds
from brakewater.engine.asking import ends, reason_of, until_of
from brakewater.engine.named import named, unknown
from brakewater.engine.refusals import RefusedError
from brakewater.engine.trial import Trial
from brakewater.stream import AlarmTest, Command, Event

LONGEST_NS: Final = 15 * 60 * 1_000_000_000
"""Whoever tests stands by; nobody stands by longer."""
_ALL: Final = "all"
_SEE_IT: Final = "Acknowledge it once lamp and horn were seen and heard: that proves it"
_SOUNDS_ALREADY: Final = (
    "The horn sounds already for {loud}, and a horn that sounds already proves nothing: unless it falls silent before,"
    " this test is not dated. Silence it, and test again"
)


def begin(command: Command, bench: Bench) -> tuple[list[Event], str]:
    """Trip one alarm for a while; what to say.

    Raises:
        RefusedError: the command makes no sense, or the alarm stands: a test could hide what is real.
    """
    alarm = _one(command, bench.alarms)
    reason, until_ns = reason_of(command.request.args), until_of(command, LONGEST_NS)
    _testable(alarm, until_ns - command.t_ns)
    shown = AlarmTest(
        actor=command.request.actor,
        reason=reason,
        since_utc_ns=command.utc_ns,
        until_utc_ns=command.utc_ns + until_ns - command.t_ns,
    )
    loud = [other.rule.key for other in bench.alarms if sounds(bench.rig, other)]
    alarm.trial = Trial(shown=shown, until_ns=until_ns)
    return [], (
        f"{alarm.rule.key} is under test until {ends(command, until_ns)}; it comes after its on-delay of"
        f" {alarm.rule.on_ns / 1e9:g} s. {_SOUNDS_ALREADY.format(loud=', '.join(loud)) if loud else _SEE_IT}"
    )


def end(command: Command, bench: Bench) -> tuple[list[Event], str]:
    """End one test, or all of them, before their time; what to say.

    Raises:
        RefusedError: none is under way there.
    """
    every = command.request.args.get("alarm") == _ALL
    tested = [alarm for alarm in (bench.alarms if every else [_one(command, bench.alarms)]) if alarm.trial is not None]
    if not tested:
        raise RefusedError("no test is under way there")
    moment = moment_of(command)
    events = [event for alarm in tested for event in bench.ledger.end_trial(alarm, moment, command.request.actor)]
    return events, ", ".join(f"the test of {alarm.rule.key} is over" for alarm in tested)


def _one(command: Command, alarms: list[Alarm]) -> Alarm:
    chosen = named(alarms, command.request.args)
    if not chosen:
        raise RefusedError(unknown(alarms, command.request.args, every=False))
    if command.request.args.get("alarm") == _ALL:
        raise RefusedError(f"one alarm at a time, so that each is seen; for example {chosen[0].rule.key}")
    return chosen[0]


def _testable(alarm: Alarm, lasts_ns: int) -> None:
    if alarm.trial is not None:
        raise RefusedError(f"{alarm.rule.key} is under test by {alarm.trial.shown.actor} already")
    if alarm.standing.masks:
        raise RefusedError(
            f"{alarm.rule.key} is {', '.join(alarm.standing.masks)}: its lamp would stay dark; lift that first"
        )
    if alarm.state is not State.NORMAL or alarm.memory.raised:
        raise RefusedError(f"{alarm.rule.key} is {alarm.standing.text}: an alarm that stands is real and is not tested")
    if lasts_ns <= alarm.rule.on_ns:
        raise RefusedError(f"a test of {alarm.rule.key} must outlast its on-delay of {alarm.rule.on_ns / 1e9:g} s")
