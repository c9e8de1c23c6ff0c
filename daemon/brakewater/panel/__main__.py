"""``python -m brakewater.panel``: serve the pages of a record folder until told to stop."""

import argparse
import errno
import os
import socket
import sys
import threading
from pathlib import Path
from time import monotonic, sleep
from typing import Final

import uvicorn

from brakewater.control import ask
from brakewater.errors import BrakewaterError, DeviceError, Fault, RigFileError, plainly
from brakewater.log import LogFormat, begin
from brakewater.panel.access import Access
from brakewater.panel.app import application
from brakewater.panel.asking import Parts
from brakewater.panel.followed import Followed
from brakewater.panel.pins import matches
from brakewater.panel.prompt import Prompt
from brakewater.panel.stations import begins
from brakewater.record.reader import Record
from brakewater.rig import parse
from brakewater.rig.panel import Panel
from brakewater.settings import settings

_STOP_S: Final = 1
_DAEMON_S: Final = 5.0
"""The watch starts its panel a moment before it answers on ``control.sock``."""
_AGAIN_S: Final = 0.2
_LOOK_S: Final = 0.5
_NICE: Final = 5
"""Whoever looks on gives way to the watch: fifty viewers must not make a scan late."""


def main() -> int:
    """Exit status 0 after SIGTERM or SIGINT, 3 where the pages cannot be served; says why in one line."""
    parser = argparse.ArgumentParser(prog="python -m brakewater.panel")
    parser.add_argument("--record", type=Path, required=True, metavar="DIR")
    parser.add_argument("--port", type=int, metavar="N", help="other than the rig file's")
    parser.add_argument("--beside", type=int, metavar="PID", help="end with this parent process")
    args = parser.parse_args()
    begin(LogFormat.AUTO, head="panel: ")
    os.nice(_NICE)
    try:
        return serve(args.record, _panel(args.record, args.port), beside=args.beside)
    except BrakewaterError as error:
        parser.exit(3, f"brakewater panel: {error}\n")


def _panel(folder: Path, port: int | None) -> Panel:
    """The settings in force, or those of the record where no watch is at work on it."""
    until_s = monotonic() + _DAEMON_S
    while True:
        try:
            found = ask(folder, {"ask": "rig"}, holding="toml")
            break
        except DeviceError:
            if monotonic() > until_s:
                found = _recorded(folder)
                break
            sleep(_AGAIN_S)
    panel = parse(found["toml"], found["file"]).panel or Panel()
    return panel if port is None else panel.model_copy(update={"port": port})


def _recorded(folder: Path) -> dict[str, str]:
    tail = Record(folder).tail()
    if tail is None:
        raise DeviceError(f"{folder}: no watch is at work there and nothing is recorded; start `brakewater run` first")
    return {"toml": tail[0].rig_toml, "file": "the recorded rig file"}


def serve(folder: Path, panel: Panel, *, beside: int | None = None) -> int:
    """Serve until told to stop.

    Args:
        folder: record folder.
        panel: where to listen.
        beside: process that started this one; it ends when that has ended.

    Raises:
        DeviceError: the address cannot be had, or the certificate cannot be used.
        RigFileError: a PIN in the environment is not what ``--new-pin`` prints.
    """
    access = Access(folder=folder, station_actor=panel.station, pins=_pins())
    parts = Parts(folder=folder, panel=panel, access=access, followed=Followed(folder, panel))
    config = uvicorn.Config(
        application(parts),
        http=Prompt,
        ssl_certfile=panel.certificate,
        ssl_keyfile=panel.key,
        log_level="warning",
        server_header=False,
        date_header=False,
        timeout_graceful_shutdown=_STOP_S,
        timeout_keep_alive=30,
        limit_concurrency=256,
    )
    with _listening(panel) as listening:
        _load(config, panel)
        server = _Server(config, parts.followed)
        if beside is None:
            print(f"serving {folder} at {begins(panel)}; Ctrl-C ends it", file=sys.stderr)  # noqa: T201
        else:
            threading.Thread(target=_end_with, args=(beside, server), daemon=True).start()
        server.run(sockets=[listening])
    return 0


class _Server(uvicorn.Server):
    """Lets go who looks on: a stream that must be cut off when time is up is a traceback in the log of each stop."""

    def __init__(self, config: uvicorn.Config, followed: Followed) -> None:
        super().__init__(config)
        self._followed = followed

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End streams, then what uvicorn ends."""
        self._followed.end()
        await super().shutdown(sockets)


def _pins() -> dict[str, str]:
    secrets = settings(os.environ.get("CREDENTIALS_DIRECTORY"))
    pins = {actor: pin.get_secret_value() for actor, pin in secrets.panel_pins.items()}
    for actor, kept in pins.items():
        try:
            matches("", kept)
        except ValueError as error:
            key = f"BRAKEWATER_PANEL_PINS, actor {actor}"
            allowed = "what `brakewater panel --new-pin` prints"
            raise RigFileError(
                (Fault(file="environment", line=0, key=key, found=str(error), allowed=allowed),)
            ) from None
    return pins


def _listening(panel: Panel) -> socket.socket:
    family = socket.AF_INET6 if ":" in panel.host else socket.AF_INET
    try:
        return socket.create_server((panel.host, panel.port), family=family, backlog=128)
    except OSError as error:
        found = "another program listens there" if error.errno == errno.EADDRINUSE else plainly(error)
        raise DeviceError(
            f"cannot serve on {panel.host} port {panel.port}: {found}; end it, or change port or host under [panel]"
        ) from error


def _load(config: uvicorn.Config, panel: Panel) -> None:
    try:
        config.load()
    except OSError as error:
        raise DeviceError(
            f"[panel] certificate {panel.certificate} and key {panel.key} cannot be used ({plainly(error)})"
        ) from error


def _end_with(parent: int, server: uvicorn.Server) -> None:
    """A watch that was killed must not leave a panel behind that holds the port of the next one's."""
    while os.getppid() == parent:
        sleep(_LOOK_S)
    server.should_exit = True


if __name__ == "__main__":
    sys.exit(main())
