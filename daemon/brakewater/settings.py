"""Secrets and switches of the place where the daemon runs, from the environment: never from the rig file."""

from pathlib import Path
from typing import Any

from pydantic import Field, SecretStr
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """``BRAKEWATER_...`` variables, or files of the same lower-case names under ``$CREDENTIALS_DIRECTORY``."""

    model_config = SettingsConfigDict(env_prefix="BRAKEWATER_", frozen=True)

    mqtt_password: SecretStr | None = None
    """Password of the user that the rig file's [mqtt] names."""
    mirror_tokens: dict[str, SecretStr] = Field(default_factory=dict)
    """JSON object: mirror name -> token."""


def settings(credentials: str | None) -> Settings:
    """Read the environment once.

    Args:
        credentials: folder of credential files, as systemd names it in ``CREDENTIALS_DIRECTORY``; None without.
    """
    known: dict[str, Any] = {"_secrets_dir": credentials} if credentials and Path(credentials).is_dir() else {}
    return Settings(**known)
