"""Paired stations: devices that may silence, acknowledge and test for ever, without a PIN.

A station's token stands only in its browser; its hash in ``panel-stations.json`` of the record folder. A new pairing
code is written there by ``brakewater panel --pair``; the browser that brings it first becomes the station.
"""

import json
import os
from pathlib import Path
from typing import Any, Final

from brakewater.control import own_user
from brakewater.errors import StorageError
from brakewater.panel.pins import digest, token
from brakewater.record.durable import PRIVATE, appearing
from brakewater.rig.panel import Panel

FILE: Final = "panel-stations.json"


def _read(folder: Path) -> dict[str, dict[str, Any]]:
    """Name -> hash of its token or of its pairing code.

    Raises:
        StorageError: the file is damaged, or another user's.
    """
    path = folder / FILE
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except PermissionError as error:
        raise StorageError(
            f"the paired stations: {path} may not be read by user {own_user()}; type as root:"
            f" chown --reference={folder} {path}"
        ) from error
    except (OSError, ValueError) as error:
        raise StorageError(
            f"the paired stations: {path} cannot be read ({error}); remove it and pair the stations again"
        ) from error
    if not isinstance(found, dict) or not all(isinstance(one, dict) for one in found.values()):
        raise StorageError(
            f"the paired stations: {path} holds no table of stations; remove it and pair the stations again"
        )
    return found


def _write(folder: Path, stations: dict[str, dict[str, Any]]) -> None:
    path = folder / FILE
    with appearing(path, mode=PRIVATE, as_folder=True) as part:
        part.write_text(json.dumps(stations, indent=1), encoding="utf-8")


def invite(folder: Path, name: str) -> str:
    """A pairing code for a station; one of the same name is cut off.

    Raises:
        StorageError, OSError: the file cannot be kept.
    """
    if not os.access(folder, os.W_OK | os.X_OK):
        raise StorageError(
            f"{folder}: user {own_user()} may not pair a station here; type as root:"
            f" brakewater panel --pair {name} --record {folder}"
        )
    code = token()
    _write(folder, {**_read(folder), name: {"code": digest(code)}})
    return code


def pair(folder: Path, code: str) -> tuple[str, str] | None:
    """Turn a pairing code into a station: its name and token; None where the code is not known or used up.

    Raises:
        StorageError, OSError: the file cannot be kept.
    """
    stations = _read(folder)
    for name, one in stations.items():
        if one.get("code") == digest(code):
            mine = token()
            _write(folder, {**stations, name: {"token": digest(mine)}})
            return name, mine
    return None


def station_of(folder: Path, brought: str) -> str | None:
    """The station that a token belongs to.

    Raises:
        StorageError: the file is damaged.
    """
    kept = digest(brought)
    return next((name for name, one in _read(folder).items() if one.get("token") == kept), None)


def address(panel: Panel, code: str) -> str:
    """What a browser opens to become a station; the code stands where no server log sees it."""
    return f"{begins(panel)}/pair#{code}"


def begins(panel: Panel) -> str:
    """Where the pages are."""
    scheme = "http" if panel.certificate is None else "https"
    host = panel.names[0] if panel.names else panel.host
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{panel.port}"
