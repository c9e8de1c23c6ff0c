"""Rig file tables for what PLCs get from the watch: ``[registers]``, the outstation, and ``[[lamp-mailbox]]``.

Both are off when absent. Whether there is room for them is told in ``room``, once all of the file is read.
"""

from ipaddress import ip_address, ip_network
from typing import Annotated, Any, Final

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from brakewater.rig.quantity import Nanoseconds, lasting
from brakewater.rig.tables import Model, Name

BEFORE_LAMPS: Final = 4
"""Words of a mailbox before the first lamp: signature, heartbeat, health, horn."""
_HOLDING: Final = {400_001: 465_536, 40_001: 49_999}
"""First and last reference of the holding table, with six digits and with five."""


def _address(text: str) -> str:
    try:
        return str(ip_address(text))
    except ValueError:
        context = {"found": repr(text), "allowed": "an IP address of this machine, for example 192.0.2.10"}
        raise PydanticCustomError("quantity", "{found}", context) from None


def _networks(texts: tuple[str, ...]) -> tuple[str, ...]:
    allowed = "IP addresses or networks, for example 192.0.2.0/24"
    if not texts:
        raise PydanticCustomError("quantity", "{found}", {"found": "an empty list", "allowed": allowed})
    return tuple(_network(text, allowed) for text in texts)


def _network(text: str, allowed: str) -> str:
    try:
        return str(ip_network(text))
    except ValueError as error:
        context = {"found": f"{text!r} ({error})", "allowed": allowed}
        raise PydanticCustomError("quantity", "{found}", context) from None


class Registers(Model):
    """``[registers]``: the watch as a Modbus TCP server for PLCs."""

    host: Annotated[str, AfterValidator(_address)]
    """Address to bind; no default, so that nothing is exposed unasked."""
    port: int = Field(default=1502, ge=1, le=65535)
    unit: int = Field(default=1, ge=0, le=255)
    allow: Annotated[tuple[str, ...], AfterValidator(_networks)] = ("127.0.0.1/32",)
    """Who may connect."""
    actor: Name = "outstation"
    """As whom its push-button coils command."""


class LampMailbox(Model):
    """``[[lamp-mailbox]]``: holding registers of a PLC that cannot poll; the first holds a signature of its own."""

    device: str
    address: int = Field(ge=0, le=65535)
    """Wire address of the signature, from 0; the words that are written follow it. ``reference`` may stand for it."""
    reference: int | None = None
    """The same as register lists have it: 40201 is address 200."""
    count: int = Field(ge=BEFORE_LAMPS + 1, le=124)
    """Registers with the signature; one request writes at most 123."""
    signature: int = Field(ge=1, le=0xFFFE)
    """What the PLC's program keeps in the first register; not 0 or 65535, which empty memory holds."""
    refresh: Annotated[Nanoseconds, lasting("100 ms", "10 s")] = 1_000_000_000
    """Written this often even if nothing changes."""

    @model_validator(mode="before")
    @classmethod
    def _at_reference(cls, table: Any) -> Any:
        return _with_address(table) if isinstance(table, dict) and "reference" in table else table

    @property
    def first(self) -> int:
        """First address that is written."""
        return self.address + 1

    @property
    def last(self) -> int:
        """Last address that is written."""
        return self.address + self.count - 1


def _with_address(table: dict[str, Any]) -> dict[str, Any]:
    reference = table["reference"]
    if "address" in table:
        allowed = "one of them: address counts from 0, reference from 40001"
        raise PydanticCustomError("quantity", "{found}", {"found": "both address and reference", "allowed": allowed})
    first = next((at for at, last in _HOLDING.items() if isinstance(reference, int) and at <= reference <= last), None)
    if first is None:
        allowed = "a reference of the holding table, 40001 or above"
        raise PydanticCustomError("quantity", "{found}", {"found": f"reference {reference!r}", "allowed": allowed})
    return {**table, "address": reference - first}
