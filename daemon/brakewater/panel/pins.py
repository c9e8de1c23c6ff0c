"""PINs and tokens, kept only as hashes: scrypt (RFC 7914) for what people remember, SHA-256 for what machines keep."""

import hashlib
import hmac
import secrets
from typing import Final

_N: Final = 1 << 14
_R: Final = 8
_P: Final = 1
_MOST_N: Final = 1 << 17
_LENGTH: Final = 32


def hashed(pin: str) -> str:
    """``scrypt$N$r$p$salt$hash``, in hexadecimal, with a new salt."""
    salt = secrets.token_bytes(16)
    return f"scrypt${_N}${_R}${_P}${salt.hex()}${_scrypt(pin, salt, _N, _R, _P).hex()}"


def _scrypt(pin: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(pin.encode(), salt=salt, n=n, r=r, p=p, dklen=_LENGTH, maxmem=256 * n * r)


def matches(pin: str, kept: str) -> bool:
    """Whether a PIN is the one that was hashed, in time that does not tell how near it is.

    Raises:
        ValueError: ``kept`` is not what ``hashed`` writes.
    """
    kind, *numbers, salt, digest = kept.split("$")
    n, r, p = (int(number) for number in numbers)
    if kind != "scrypt" or not 1 < n <= _MOST_N or not 1 <= r <= _MOST_R or not 1 <= p <= _MOST_P:
        raise ValueError("not a hash that `brakewater panel --new-pin` prints")
    return hmac.compare_digest(_scrypt(pin, bytes.fromhex(salt), n, r, p), bytes.fromhex(digest))


_MOST_R: Final = 32
_MOST_P: Final = 16


def token() -> str:
    """A new one, 256 bits."""
    return secrets.token_urlsafe(32)


def digest(text: str) -> str:
    """Of a token, to keep in its place."""
    return hashlib.sha256(text.encode()).hexdigest()
