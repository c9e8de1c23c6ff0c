"""Watch a rig until told to stop; each change of an alarm is one line on standard error."""

import argparse
import asyncio
import logging
import os
import signal
import sys

from brakewater.cli.places import folder
from brakewater.errors import WrongRecordError

_LAST_PORT = 65535


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    parser.add_argument(
        "--log",
        choices=("auto", "text", "journal", "json"),
        default="auto",
        help="how the log is written; auto: with priorities where it goes to systemd's journal, else as plain lines",
    )
    parser.add_argument(
        "--metrics",
        type=_address,
        metavar="[ADDRESS:]PORT",
        help="figures for Prometheus at http://ADDRESS:PORT/metrics; without an address for this machine alone",
    )
    parser.add_argument("--record", type=folder, required=True, metavar="DIR", help="folder for the record")


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not port.isdecimal() or not 0 < int(port) <= _LAST_PORT:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a port, or an address and a port: 127.0.0.1:9464")
    return host.strip("[]") or "127.0.0.1", int(port)


def run(args: argparse.Namespace) -> int:
    """Exit status 0 after SIGTERM or SIGINT; 2 where beginning again mends nothing, which the service then does not."""
    signal.signal(signal.SIGTERM, _leave)  # until the watch takes it over: what is half begun is closed too
    from brakewater.field.names import NamingLoop  # noqa: PLC0415 - only when needed
    from brakewater.log import LogFormat, begin  # noqa: PLC0415
    from brakewater.rig import load  # noqa: PLC0415
    from brakewater.service import watch  # noqa: PLC0415
    from brakewater.service.guardian import Guardian  # noqa: PLC0415
    from brakewater.settings import settings, strangers  # noqa: PLC0415

    rig, credentials = load(args.rig), os.environ.get("CREDENTIALS_DIRECTORY")
    known = settings(credentials)
    begin(LogFormat(args.log), secrets=known.secrets())
    for one in strangers(credentials):
        logging.getLogger(__name__).warning("%s", one)
    try:
        with asyncio.Runner(loop_factory=NamingLoop) as runner:
            runner.run(watch(rig, args.record, known, metrics_at=args.metrics, guardian=Guardian(os.environ)))
    except WrongRecordError as error:
        print(f"brakewater run: {error}", file=sys.stderr)
        return 2  # a bad argument: --record
    return 0


def _leave(_number: int, _frame: object) -> None:
    raise SystemExit(0)
