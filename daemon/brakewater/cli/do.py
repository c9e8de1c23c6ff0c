"""Give the running daemon a command: on alarms, lamps, points and settings; who may do what stands in the rig file.

test-alarm trips one alarm through its delays, events, lamp, horn, registers and topics. All of it is marked as a test;
a real alarm that comes meanwhile ends the test and rises as ever. Tell the driller first.
"""

import argparse
import hashlib
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from brakewater.cli.places import record_argument
from brakewater.cli.window import number, utc


class CommandError(ValueError):
    """An argument that makes no sense."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Verb:
    """One command and what it asks for."""

    says: str
    on: str = ""
    """``alarm``, ``alarms`` (or all), ``point``, ``text``, ``setting``, ``window``, ``hold``, or nothing."""
    value: str = ""
    """Help of a value, where one is needed."""
    minutes: float | None = 0.0
    """None: must be said; 0: not asked for; else the default."""
    timed: bool = False
    """``--minutes`` may be said."""
    reason: bool = False
    booked: bool = False
    """An entry of the upkeep book."""


_VERBS = {
    "acknowledge": _Verb(says="say that an alarm has been seen", on="alarms"),
    "silence": _Verb(says="silence the horn; nothing is acknowledged by it"),
    "reset": _Verb(says="reset a latched alarm, or the first-out", on="alarms"),
    "test": _Verb(says="light every lamp and sound the horn for five seconds"),
    "shelve": _Verb(
        says="set an alarm aside for a while; it comes back by itself", on="alarm", minutes=None, reason=True
    ),
    "unshelve": _Verb(says="bring a shelved alarm back early", on="alarm"),
    "out-of-service": _Verb(says="take an alarm out of service for maintenance", on="alarm", timed=True, reason=True),
    "return-to-service": _Verb(says="watch an alarm again", on="alarm"),
    "set": _Verb(
        says="change a setting until the rig file changes it; never beyond the maker's limit",
        on="setting",
        value='with its unit, for example "72 gal/min"',
        reason=True,
    ),
    "unset": _Verb(says="give a changed setting back to the rig file", on="setting", reason=True),
    "note": _Verb(says="put a remark into the record", on="text"),
    "hold": _Verb(says="put a window of the record under legal hold: it is never trimmed", on="window", reason=True),
    "release-hold": _Verb(says="end a legal hold", on="hold", reason=True),
    "substitute": _Verb(
        says="let a value entered by hand stand in for a point; it counts as uncertain",
        on="point",
        value='with its unit, for example "75 gal/min"',
        minutes=None,
        reason=True,
    ),
    "restore": _Verb(says="end a substitution early", on="point"),
    "check-begin": _Verb(
        says="put a point under function check: what it shows is injected, not measured",
        on="point",
        minutes=None,
        reason=True,
    ),
    "check-end": _Verb(says="end a function check early", on="point"),
    "test-alarm": _Verb(
        says="trip an alarm for a while to prove its lamp and horn; marked as a test everywhere",
        on="alarm",
        minutes=2.0,
        reason=True,
    ),
    "test-end": _Verb(says="end a test early", on="alarms"),
    "log-round": _Verb(says="enter a round of upkeep into the book, or correct an entry", on="round", booked=True),
    "change-part": _Verb(says="enter a changed part: its hours and trips begin anew", on="part", booked=True),
    "sign-book": _Verb(says="sign the upkeep book as it stands; the record keeps who and when", booked=True),
}
_ON = {
    "alarm": "an alarm such as aux.cooling-lost",
    "alarms": '"all", or an alarm such as aux.cooling-lost',
    "point": "a point of the rig file",
    "text": "what to put down",
    "round": "a round of the rig file's [upkeep]",
    "part": "brake, rotor, bearing, coil, inlet-rtd, outlet-rtd or meter",
    "hold": "as it was given when the hold began; holds.jsonl has them all",
    "setting": "for example aux.cooling-flow-low.setpoint",
}
_KEYS = ("from", "to", "hold", "alarm", "text", "point", "setting", "value", "minutes", "reason", "id", "round", "part")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    record_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")
    for name, verb in _VERBS.items():
        one = verbs.add_parser(name, help=verb.says, description=verb.says)
        if verb.on == "window":
            one.add_argument("from", type=utc, metavar="FROM", help="begin in UTC, for example 2031-02-03T04:00Z")
            one.add_argument("to", type=utc, metavar="TO", help="end in UTC; a day alone is its first moment")
        elif verb.on:
            key = "alarm" if verb.on == "alarms" else verb.on
            one.add_argument(key, metavar=key.upper(), help=_ON[verb.on])
        if verb.value:
            one.add_argument("value", metavar="VALUE", help=verb.value)
        _times(one, verb)
        if verb.booked:
            _book(one, name)
        if verb.reason:
            one.add_argument("--reason", required=True, metavar="TEXT", help="why; it goes into the record")
        one.add_argument("--id", default=argparse.SUPPRESS, metavar="ID", help="a second command of this id is refused")
        record_argument(one, again=True)


def _times(one: argparse.ArgumentParser, verb: _Verb) -> None:
    says = "it ends by itself after so long"
    if verb.minutes is None:
        one.add_argument("--minutes", type=number, required=True, metavar="N", help=says)
    elif verb.minutes:
        one.add_argument(
            "--minutes", type=number, default=verb.minutes, metavar="N", help=f"{says} (default: {verb.minutes:g})"
        )
    elif verb.timed:
        one.add_argument("--minutes", type=number, default=argparse.SUPPRESS, metavar="N", help=says)


def _book(one: argparse.ArgumentParser, verb: str) -> None:
    """What an entry of the upkeep book may say."""
    one.add_argument("--remark", metavar="TEXT", help="what was seen")
    if verb == "sign-book":
        one.add_argument("--by", metavar="NAME", required=True, help="who signs")
        return
    one.add_argument("--at", metavar="UTC", help="when it was done, for example 2031-02-03T04:00Z (default: now)")
    if verb == "change-part":
        one.add_argument("--brake", metavar="BRAKE", help="where the rig has several")
        one.add_argument("--serial", metavar="NUMBER", required=True, help="serial number of the new part")
        one.add_argument("--hours", metavar="N", help="running hours it comes with from another rig")
        one.add_argument("--trips", metavar="N", help="trips it comes with")
        one.add_argument("--heat-gj", metavar="N", help="heat it has carried there, GJ")
        return
    one.add_argument("values", nargs="*", metavar="KEY=VALUE", help='measured, for example plug-1-left="0.0045 in"')
    one.add_argument("--corrects", metavar="ENTRY", help="the entry whose place it takes; both stay in the record")
    one.add_argument("--void", action="store_true", help="strike that entry out, with no other in its place")
    one.add_argument("--again", action="store_true", help="it was done once more, though it was logged just now")
    one.add_argument("--photo", metavar="FILE", help="its name and digest go into the record, not the picture")


def _booked(args: argparse.Namespace) -> dict[str, Any]:
    """The entry as the command takes it."""
    keys = ("at", "remark", "brake", "serial", "corrects", "by", "hours", "trips", "heat-gj")
    found = {key: value for key in keys if (value := getattr(args, key.replace("-", "_"), None))}
    if getattr(args, "values", None):
        found["values"] = dict(_pair(text) for text in args.values)
    if getattr(args, "void", False):
        found["void"] = True
    if getattr(args, "photo", None):
        path = Path(args.photo)
        found["photo"] = {"name": path.name[:120], "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    return found


def _pair(text: str) -> tuple[str, str]:
    key, is_there, value = text.partition("=")
    if not is_there or not key:
        raise CommandError(f'found {text!r}; allowed: KEY=VALUE, for example plug-1-left="0.0045 in"')
    return key, value


def _once(folder: Path, asked: dict[str, Any]) -> None:
    """Refuse a round that the book has as done at about that time: it may be the same."""
    from time import time_ns  # noqa: PLC0415 - only when needed

    from brakewater.book_shown import done_lately  # noqa: PLC0415
    from brakewater.control import ask  # noqa: PLC0415
    from brakewater.errors import ArgumentError  # noqa: PLC0415
    from brakewater.units import utc_text  # noqa: PLC0415

    one = done_lately(ask(folder, {"ask": "book"}), asked["round"], asked.get("at") or utc_text(time_ns()))
    if one is not None:
        raise ArgumentError(
            f"{one['round']} is logged already as {one['entry']}, done {one['done']}, by {one['actor']};"
            f" nothing was entered. --corrects {one['entry']} takes its place, --again enters it once more"
        )


def run(args: argparse.Namespace) -> int:
    """Exit status 0, or 1 where the daemon refuses."""
    from brakewater.control import ask  # noqa: PLC0415 - only when needed

    asked: dict[str, Any] = {"do": args.verb}
    asked.update({key: getattr(args, key) for key in _KEYS if hasattr(args, key)})
    try:
        asked |= _booked(args)
    except CommandError as error:
        print(f"brakewater do: {error}", file=sys.stderr)
        return 2
    if args.verb == "log-round" and not (args.again or args.corrects):
        _once(args.record, asked)
    answer = ask(args.record, asked)
    if args.json:
        print(json.dumps(answer))
    else:
        print(answer["says"])
    return 0 if answer.get("ok") else 1
