"""The pages: serve those of a record, pair a station, make a PIN."""

import argparse
import getpass
import os
import sys
from pathlib import Path

from brakewater.cli.places import record_argument

_LEAST_PIN = 4


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    record_argument(parser)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--pair", metavar="NAME", help="print an address that makes the browser opening it a station")
    what.add_argument("--new-pin", action="store_true", help="ask for a PIN and print what the panel keeps of it")
    parser.add_argument("--port", type=int, metavar="N", help="serve on this port (default: the rig file's, or 8420)")


def run(args: argparse.Namespace) -> int:
    """Exit status 0; serving ends with SIGTERM or SIGINT."""
    if args.new_pin:
        return _new_pin()
    if args.pair:
        return _pair(args.record, args.pair, args.port)
    words = [sys.executable, "-m", "brakewater.panel", "--record", str(args.record), *_port(args)]
    return os.execv(sys.executable, words)  # noqa: S606 - our own program in place of this: what ends this one ends it


def _port(args: argparse.Namespace) -> list[str]:
    return [] if args.port is None else ["--port", str(args.port)]


def _new_pin() -> int:
    from brakewater.panel.pins import hashed  # noqa: PLC0415 - only when needed

    pin = getpass.getpass("PIN: ") if sys.stdin.isatty() else sys.stdin.readline().rstrip("\n")
    if len(pin) < _LEAST_PIN:
        print(f"allowed: {_LEAST_PIN} characters or more", file=sys.stderr)
        return 2
    print(hashed(pin))
    print(
        'put it, by name, into a JSON object: {"engineer": "scrypt$..."}; for the service as the whole of'
        " /etc/brakewater/credentials/panel_pins, then systemctl restart brakewater (a reload takes no secrets);"
        " by hand as BRAKEWATER_PANEL_PINS",
        file=sys.stderr,
    )
    return 0


def _pair(folder: Path, name: str, port: int | None) -> int:
    from brakewater.control import ask  # noqa: PLC0415 - only when needed
    from brakewater.panel.stations import address, invite  # noqa: PLC0415
    from brakewater.rig import parse  # noqa: PLC0415
    from brakewater.rig.panel import Panel  # noqa: PLC0415

    found = ask(folder, {"ask": "rig"}, holding="toml")
    panel = parse(found["toml"], found["file"]).panel or Panel()
    print(address(panel if port is None else panel.model_copy(update={"port": port}), invite(folder, name)))
    print(f"open it in the browser that is to be station {name}; it works once", file=sys.stderr)
    return 0
