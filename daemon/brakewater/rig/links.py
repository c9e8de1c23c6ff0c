"""What a rig file must hold of the links to broker and time-series servers beyond the shape of their tables."""

from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import urlsplit

from brakewater.rig.faults import Faults
from brakewater.rig.tables import Mirror, Mqtt, Sparkplug, Tls

_KEYS: Final = ("ca", "certificate", "key")


def broker(mqtt: Mqtt | None, faults: Faults) -> None:
    """Certificates only beside ``tls = true``."""
    if mqtt is not None:
        _keys(mqtt, ("mqtt",), "tls = true" if not mqtt.tls else "", faults)


def sparkplug(table: Sparkplug | None, mqtt: Mqtt | None, faults: Faults) -> None:
    """It goes to the broker of ``[mqtt]``."""
    if table is not None and mqtt is None:
        faults.add(("sparkplug",), "no [mqtt] beside it", "both: it is the same broker, user and certificates")


def mirrors(found: Mapping[str, Mirror], faults: Faults) -> None:
    """Addresses that a client can call, and certificates only with https."""
    for name, mirror in found.items():
        path, scheme = ("mirror", name), _scheme(mirror.url)
        if scheme not in ("http", "https"):
            faults.add((*path, "url"), repr(mirror.url), 'an address, for example "https://192.0.2.30:8086"')
            continue
        _keys(mirror, path, "an https address" if scheme != "https" else "", faults)


def _scheme(url: str) -> str:
    """Of an address that names a host; empty where it does not, or where it carries a user."""
    try:
        parts = urlsplit(url)
        sound = parts.hostname and parts.port != 0 and not parts.username
    except ValueError:
        return ""
    return parts.scheme if sound else ""


def _keys(link: Tls, path: tuple[Any, ...], lacks: str, faults: Faults) -> None:
    for key in _KEYS:
        if lacks and getattr(link, key) is not None:
            faults.add((*path, key), f"{key} without TLS", f"{lacks} beside it, or no {key}")
    if link.key is not None and link.certificate is None:
        faults.add((*path, "key"), "a key without a certificate", "both, or neither")
