"""Secrets and switches of the place where the daemon runs, from the environment: never from the rig file."""

import os
from pathlib import Path
from typing import Any, Final

from pydantic import Field, SecretStr, ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict, SettingsError

from brakewater.errors import Fault, RigFileError, plainly
from brakewater.record.signing import Signer

_ALLOWED: Final = {
    "mirror_tokens": 'a JSON object of mirror and token, for example {"office": "..."}',
    "panel_pins": 'a JSON object of actor and what `brakewater panel --new-pin` prints, for example {"driller": "..."}',
}

_HINT: Final = "systemd makes that folder of what LoadCredential names: mend it in /etc/brakewater/credentials"


class Settings(BaseSettings):
    """``BRAKEWATER_...`` variables, or files of the same lower-case names under ``$CREDENTIALS_DIRECTORY``."""

    model_config = SettingsConfigDict(env_prefix="BRAKEWATER_", frozen=True)

    mqtt_password: SecretStr | None = None
    """Password of the user that the rig file's [mqtt] names."""
    mirror_tokens: dict[str, SecretStr] = Field(default_factory=dict)
    """JSON object: mirror name -> token."""
    panel_pins: dict[str, SecretStr] = Field(default_factory=dict)
    """JSON object: actor -> what ``brakewater panel --new-pin`` printed."""
    signing_key: SecretStr | None = None
    """Signs the chain of the record: an Ed25519 private key in PEM, as ``openssl genpkey -algorithm ed25519`` writes
    it. It belongs into a credential file rather than into the environment."""

    def secrets(self) -> tuple[str, ...]:
        """All that must never be shown: for the log to strike out."""
        given = [self.mqtt_password, self.signing_key, *self.mirror_tokens.values(), *self.panel_pins.values()]
        return tuple(one.get_secret_value() for one in given if one is not None)

    def signer(self) -> Signer | None:
        """What signs the record; None where there is no key.

        Raises:
            RigFileError: the key cannot be used; nothing of it is shown.
        """
        if self.signing_key is None:
            return None
        try:
            return Signer(self.signing_key.get_secret_value())
        except ValueError as error:
            raise RigFileError((_no_key(str(error)),)) from None


def settings(credentials: str | None) -> Settings:
    """Read the environment once.

    Args:
        credentials: folder of credential files, as systemd names it in ``CREDENTIALS_DIRECTORY``; None without.

    Raises:
        RigFileError: what stands there cannot be used; says where, and nothing of what stands there.
    """
    folder = Path(credentials) if credentials else None
    faults = _unreadable(folder) if folder else ()
    if faults:
        raise RigFileError(faults)
    known: dict[str, Any] = {"_secrets_dir": folder} if folder else {}
    try:
        return Settings(**known)
    except (SettingsError, ValidationError) as error:
        raise RigFileError(_faults(error, folder)) from None  # the causes show the secret


def strangers(credentials: str | None) -> tuple[str, ...]:
    """Credential files by our prefix that nothing reads: a secret under a wrong name would be missed in silence.

    Args:
        credentials: as above; a folder that can be listed.
    """
    prefix, known = "brakewater_", ", ".join(Settings.model_fields)
    names = sorted(file.name for file in Path(credentials).iterdir()) if credentials else []
    return tuple(
        f"credential {name.removeprefix(prefix)} is read by nothing; the names that are: {known}"
        for name in names
        if name.lower().startswith(prefix) and name.lower().removeprefix(prefix) not in Settings.model_fields
    )


def _unreadable(folder: Path) -> tuple[Fault, ...]:
    """Credential files that are there and cannot be read: what reads them after this passes some over in silence."""
    try:
        files = _files(folder)
    except OSError as error:
        return (_closed(folder, "CREDENTIALS_DIRECTORY", _why(error), "a folder of credential files"),)
    wanted = "a file of UTF-8 text, in that folder itself"
    found = [(name, file, _why_not(folder, file)) for name, file in files.items()]
    return tuple(_closed(file, name, why, wanted) for name, file, why in found if why)


def _files(folder: Path) -> dict[str, Path]:
    """By the setting's name."""
    there = {file.name.lower(): file for file in sorted(folder.iterdir())}
    return {name: there[key] for name in Settings.model_fields if (key := f"brakewater_{name}") in there}


def _why_not(folder: Path, file: Path) -> str:
    try:
        file.read_text(encoding="utf-8")
    except (OSError, UnicodeError) as error:
        return _why(error)
    return "" if folder.resolve() in file.resolve().parents else f"a link to {file.resolve()}"


def _why(error: OSError | UnicodeError) -> str:
    if isinstance(error, PermissionError):
        return f"what this user (number {os.geteuid()}) may not read"
    return plainly(error)


def _closed(place: Path, key: str, found: str, allowed: str) -> Fault:
    return Fault(file=str(place), line=0, key=key, found=found, allowed=allowed, hint=_HINT)


def _no_key(found: str) -> Fault:
    return Fault(
        file="environment",
        line=0,
        key="BRAKEWATER_SIGNING_KEY",
        found=found,
        allowed="what `openssl genpkey -algorithm ed25519` writes",
        hint="as a service: /etc/brakewater/credentials/signing_key",
    )


def _faults(error: SettingsError | ValidationError, folder: Path | None) -> tuple[Fault, ...]:
    if isinstance(error, ValidationError):
        names = sorted({str(one["loc"][0]) for one in error.errors()})
    else:
        names = [name for name in Settings.model_fields if f'"{name}"' in str(error)]
    return tuple(_fault(name, folder) for name in names)


def _fault(name: str, folder: Path | None) -> Fault:
    """The environment goes before a file; nothing of what stands there is shown."""
    key = f"BRAKEWATER_{name.upper()}"
    file = None if key in {one.upper() for one in os.environ} or folder is None else _files(folder).get(name)
    return Fault(
        file=str(file or "environment"),
        line=0,
        key=name if file else key,
        found="what cannot be used",
        allowed=_ALLOWED.get(name, "a text"),
        hint=_HINT if file else "",
    )
