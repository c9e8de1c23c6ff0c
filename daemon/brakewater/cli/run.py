"""Watch a rig until told to stop; each change of an alarm is one line on standard error."""

import argparse
import asyncio
import logging
import os
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command."""
    parser.add_argument("rig", metavar="RIG", help="rig file (TOML)")
    parser.add_argument("--record", type=Path, required=True, metavar="DIR", help="folder for the record")


def run(args: argparse.Namespace) -> int:
    """Exit status 0 after SIGTERM or SIGINT."""
    from brakewater.rig import load  # noqa: PLC0415 - only when needed
    from brakewater.service import watch  # noqa: PLC0415
    from brakewater.settings import settings  # noqa: PLC0415

    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s")
    rig = load(args.rig)
    asyncio.run(watch(rig, args.record, settings(os.environ.get("CREDENTIALS_DIRECTORY"))))
    return 0
