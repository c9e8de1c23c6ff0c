"""Before a trip: go, or what stands in the way. It keeps nobody from tripping; the driller decides."""

import argparse
import json
import sys
from typing import Any

from brakewater.cli.places import record_argument


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    record_argument(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(args: argparse.Namespace) -> int:
    """Exit status 0 for go, 1 where something stands in the way or part of the record cannot be read."""
    from brakewater.control import ask  # noqa: PLC0415 - only when needed
    from brakewater.review.proofs import proofs  # noqa: PLC0415
    from brakewater.rig import load  # noqa: PLC0415

    rig = load(args.rig)
    # A device's own counter has no loop to check: nobody can inject it, and its alarm tells when it stands still.
    counters = {point.name for point in rig.points if point.role == "heartbeat"}
    damage: list[str] = []
    found_proofs = proofs(rig, args.record, damage)
    for says in damage:
        print(f"damaged: {says}; a loop sheet may be lost in it, so no point counts as proved", file=sys.stderr)
    proved = set() if damage else {one.point for one in found_proofs if one.status == "proved"}
    unproved = [one.point for one in found_proofs if one.point not in proved | counters]
    found = ask(args.record, {"ask": "ready", "unproved": unproved}, holding="ready")
    watched = ask(args.record, {"ask": "rig"}, holding="toml")
    if watched["toml"] != rig.text:
        print(
            f"{args.rig} is not the rig file that is watched ({watched['file']}, as it was loaded): it is what the loop"
            " checks are held against, and nothing else; `brakewater reload` loads a changed one",
            file=sys.stderr,
        )
    if args.json:
        print(json.dumps(found))
    else:
        _show(found)
    return 0 if found.get("ready") and not damage else 1


def _show(found: dict[str, Any]) -> None:
    print("GO" if found["ready"] else "NOT READY")
    for one in found["obstacles"]:
        print(f"  {one['what']}: {one['text']}")
    for text in found["cautions"]:
        print(f"  {text}")
