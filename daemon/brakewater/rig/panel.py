"""Rig file table ``[panel]``: the pages for driller and engineer, served by a process of their own."""

from ipaddress import ip_address
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from brakewater.rig.tables import Model, Name
from brakewater.wording import LANGUAGES

LOOPBACK: Final = "127.0.0.1"


def _address(text: str) -> str:
    try:
        return str(ip_address(text))
    except ValueError:
        context = {"found": repr(text), "allowed": "an IP address of this machine, for example 192.0.2.10"}
        raise PydanticCustomError("quantity", "{found}", context) from None


def _zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        context = {"found": repr(text), "allowed": 'a time zone of the tz database, for example "UTC"'}
        raise PydanticCustomError("quantity", "{found}", context) from None
    return text


def _language(code: str) -> str:
    if code not in LANGUAGES:
        context = {"found": repr(code), "allowed": ", ".join(LANGUAGES)}
        raise PydanticCustomError("quantity", "{found}", context)
    return code


class Panel(Model):
    """Beyond this machine it speaks TLS only, and asks everybody to log in."""

    host: Annotated[str, AfterValidator(_address)] = LOOPBACK
    port: int = Field(default=8420, ge=1, le=65535)
    names: tuple[str, ...] = ()
    """Host names under which browsers may ask for it, beside its address."""
    certificate: str | None = None
    """File of the TLS certificate chain, PEM."""
    key: str | None = None
    """File of its private key, PEM."""
    time_zone: Annotated[str, AfterValidator(_zone)] = "UTC"
    """In which pages show times."""
    language: Annotated[str, AfterValidator(_language)] = "en"
    """Of pages whose viewer has chosen none."""
    station: Name = "driller"
    """As whom a paired station commands."""

    @model_validator(mode="after")
    def _guarded(self) -> Any:
        if (self.certificate is None) != (self.key is None):
            context = {"found": "one of certificate and key", "allowed": "both or none"}
            raise PydanticCustomError("quantity", "{found}", context)
        if not self.is_local and self.certificate is None:
            context = {
                "found": f"host {self.host} without certificate and key",
                "allowed": f"host {LOOPBACK}, or a TLS certificate and its key",
            }
            raise PydanticCustomError("quantity", "{found}", context)
        return self

    @property
    def is_local(self) -> bool:
        """True where only this machine can reach it."""
        return ip_address(self.host).is_loopback
