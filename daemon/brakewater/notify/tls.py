"""How the broker is made sure of, and how it may be made sure of the watch."""

import ssl
from collections.abc import Callable
from pathlib import Path

from brakewater.errors import plainly
from brakewater.rig import Mqtt


def context_of(broker: Mqtt) -> Callable[[], ssl.SSLContext] | None:
    """Makes the settings of one connection; the files are read each time, so that renewed ones are taken.

    Args:
        broker: what the rig file says of it.

    Returns:
        None where the rig file does not ask for TLS. What it gives raises ValueError or OSError where a file cannot
        be used.
    """
    return (lambda: _context(broker)) if broker.tls else None


def _context(broker: Mqtt) -> ssl.SSLContext:
    for file in (broker.ca, broker.certificate, broker.key):
        _look_at(file)
    context = ssl.create_default_context(cafile=broker.ca)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if broker.certificate is not None:
        context.load_cert_chain(broker.certificate, broker.key)
    return context


def _look_at(file: str | None) -> None:
    """The library does not say which file it cannot read."""
    if file is None:
        return
    try:
        with Path(file).open("rb"):
            pass
    except OSError as error:
        raise ValueError(f"{file}: {plainly(error)}") from error
