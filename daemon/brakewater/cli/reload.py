"""Have the running daemon take its changed rig file; a bad one is refused and the watch goes on."""

import argparse
import json

from brakewater.cli.places import record_argument

_PATIENCE_S = 30.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    record_argument(parser)
    parser.add_argument(
        "--end-upkeep", action="store_true", help="the file has no [upkeep] any more, and the upkeep book may end"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Exit status 0, or 2 where the rig file is refused."""
    from brakewater.control import ask  # noqa: PLC0415 - only when needed

    answer = ask(args.record, {"ask": "reload", "end-upkeep": args.end_upkeep}, timeout_s=_PATIENCE_S)
    print(json.dumps(answer) if args.json else answer.get("says"))
    return 0 if answer.get("ok") else 2
