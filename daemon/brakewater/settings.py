"""Secrets and switches of the place where the daemon runs, from the environment: never from the rig file."""

from pathlib import Path
from typing import Any

from pydantic import Field, SecretStr, ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict, SettingsError

from brakewater.errors import Fault, RigFileError
from brakewater.record.signing import Signer


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
    known: dict[str, Any] = {"_secrets_dir": credentials} if credentials and Path(credentials).is_dir() else {}
    try:
        return Settings(**known)
    except (SettingsError, ValidationError) as error:
        raise RigFileError((_fault(error),)) from None  # the causes show the secret


def _no_key(found: str) -> Fault:
    return Fault(
        file="environment",
        line=0,
        key="BRAKEWATER_SIGNING_KEY",
        found=found,
        allowed="what `openssl genpkey -algorithm ed25519` writes",
    )


def _fault(error: SettingsError | ValidationError) -> Fault:
    if isinstance(error, ValidationError):
        names = sorted({str(one["loc"][0]) for one in error.errors()})
    else:
        names = [name for name in Settings.model_fields if f'"{name}"' in str(error)]
    return Fault(
        file="environment",
        line=0,
        key=", ".join(f"BRAKEWATER_{name.upper()}" for name in names) or "BRAKEWATER_...",
        found="what cannot be read",
        allowed='a text; for mirror tokens a JSON object, for example {"office": "..."}',
    )
