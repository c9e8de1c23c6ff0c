"""Give the running daemon a command: acknowledge, reset, note; substitute, check or test for a while.

test-alarm trips one alarm through its delays, events, lamp, horn, registers and topics. All of it is marked as a test;
a real alarm that comes meanwhile ends the test and rises as ever. Tell the driller first.
"""

import argparse
import json

from brakewater.cli.places import record_argument

_ON_POINTS = (
    ("substitute", "let a value entered by hand stand in for a point; it counts as uncertain", True),
    ("restore", "end a substitution early", False),
    ("check-begin", "put a point under function check: what it shows is injected, not measured", True),
    ("check-end", "end a function check early", False),
)
_TESTS = (
    ("test-alarm", "trip an alarm for a while to prove its lamp and horn; marked as a test everywhere"),
    ("test-end", "end a test early"),
)
_KEYS = ("alarm", "text", "point", "value", "minutes", "reason")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    record_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")
    for verb, says in (("acknowledge", "say that an alarm has been seen"), ("reset", "reset a latched alarm")):
        one = verbs.add_parser(verb, help=says, description=says)
        one.add_argument("alarm", metavar="ALARM", help='"all", or an alarm such as aux.cooling-lost')
        record_argument(one, again=True)
    note = verbs.add_parser("note", help="put a remark into the record", description="put a remark into the record")
    note.add_argument("text", metavar="TEXT", help="what to put down")
    record_argument(note, again=True)
    for verb, says, timed in _ON_POINTS:
        one = verbs.add_parser(verb, help=says, description=says)
        one.add_argument("point", metavar="POINT", help="a point of the rig file")
        if verb == "substitute":
            one.add_argument("value", metavar="VALUE", help='with its unit, for example "75 gal/min"')
        if timed:
            one.add_argument(
                "--minutes", type=float, required=True, metavar="N", help="it ends by itself after so long"
            )
            one.add_argument("--reason", required=True, metavar="TEXT", help="why; it goes into the record")
        record_argument(one, again=True)
    for verb, says in _TESTS:
        one = verbs.add_parser(verb, help=says, description=says)
        one.add_argument("alarm", metavar="ALARM", help="an alarm such as aux.cooling-lost")
        if verb == "test-alarm":
            one.add_argument("--minutes", type=float, default=2.0, metavar="N", help="it ends by itself (default: 2)")
            one.add_argument("--reason", required=True, metavar="TEXT", help="why; it goes into the record")
        record_argument(one, again=True)


def run(args: argparse.Namespace) -> int:
    """Exit status 0, or 1 where the daemon refuses."""
    from brakewater.control import ask  # noqa: PLC0415 - only when needed

    asked = {"do": args.verb}
    asked.update({key: getattr(args, key) for key in _KEYS if hasattr(args, key)})
    answer = ask(args.record, asked)
    if args.json:
        print(json.dumps(answer))
    else:
        print(answer["says"])
    return 0 if answer.get("ok") else 1
