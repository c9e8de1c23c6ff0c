"""``python -m brakewater.panel``: serve the pages of a record folder until told to stop."""

import argparse
import os
import sys
from pathlib import Path

import uvicorn

from brakewater.control import ask
from brakewater.errors import DeviceError
from brakewater.panel.access import Access
from brakewater.panel.app import Parts, application
from brakewater.panel.followed import Followed
from brakewater.rig import parse
from brakewater.rig.panel import Panel
from brakewater.settings import settings

_STOP_S = 1


def main() -> int:
    """Exit status 0 after SIGTERM or SIGINT, 3 where the port cannot be had."""
    parser = argparse.ArgumentParser(prog="python -m brakewater.panel")
    parser.add_argument("--record", type=Path, required=True, metavar="DIR")
    parser.add_argument("--port", type=int, metavar="N", help="other than the rig file's")
    args = parser.parse_args()
    serve(args.record, _panel(args.record, args.port))
    return 0


def _panel(folder: Path, port: int | None) -> Panel:
    try:
        found = ask(folder, {"ask": "rig"})
        panel = parse(found["toml"], found["file"]).panel or Panel()
    except DeviceError:
        panel = Panel()
    return panel if port is None else panel.model_copy(update={"port": port})


def serve(folder: Path, panel: Panel) -> None:
    """Serve until told to stop.

    Args:
        folder: record folder.
        panel: where to listen.
    """
    secrets = settings(os.environ.get("CREDENTIALS_DIRECTORY"))
    pins = {actor: pin.get_secret_value() for actor, pin in secrets.panel_pins.items()}
    access = Access(folder=folder, station_actor=panel.station, pins=pins)
    parts = Parts(folder=folder, panel=panel, access=access, followed=Followed(folder, panel))
    uvicorn.run(
        application(parts),
        host=panel.host,
        port=panel.port,
        ssl_certfile=panel.certificate,
        ssl_keyfile=panel.key,
        log_level="warning",
        server_header=False,
        date_header=False,
        timeout_graceful_shutdown=_STOP_S,
        timeout_keep_alive=30,
        limit_concurrency=256,
    )


if __name__ == "__main__":
    sys.exit(main())
