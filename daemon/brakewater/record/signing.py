"""Signatures over heads of the chain: Ed25519 (RFC 8032), made and checked with ordinary tools as well.

What is signed is one line of text, so that anyone can write it down again and check it without this program:

    brakewater chain head, run 3, commit 17, <hash of that commit in hex>

A signature covers the commit and, through the chain, everything before it in all runs. Signed are the durable commits:
each that carries an event, command, gap or start, of lone scans one a minute, and the last one of a segment. To
sign takes far less time than the disk does for such a commit. To sign every group of scans would take more room than it
is worth: what follows the last signature is covered by the next, after a crash by that of the next run's start.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from brakewater.record.segment import Head

if TYPE_CHECKING:  # costs 30 ms, which those who do not sign need not wait
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

_KEY_DIGITS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """A signature over the head that a commit makes."""

    commit_no: int
    key: str
    """Public key: 32 bytes in hex, as RFC 8032 encodes it."""
    signature: str
    """64 bytes in hex."""


def statement(head: Head) -> bytes:
    """The line that is signed, with its line feed."""
    return f"brakewater chain head, run {head.run}, commit {head.commit_no}, {head.hash}\n".encode()


class Signer:
    """Holds the private key."""

    def __init__(self, pem: str) -> None:
        """Read the key.

        Args:
            pem: private key as ``openssl genpkey -algorithm ed25519`` writes it.

        Raises:
            ValueError: it is no such key; nothing of it is shown.
        """
        from cryptography.hazmat.primitives.asymmetric import ed25519  # noqa: PLC0415 - only where one signs

        key = _private(pem)
        if not isinstance(key, ed25519.Ed25519PrivateKey):
            raise ValueError("no Ed25519 private key in PEM")  # noqa: TRY004 - what was read is at fault
        self._key: Ed25519PrivateKey = key
        self.key = _hex(key.public_key())
        """Public key in hex."""

    def sign(self, head: Head) -> Signature:
        """Sign a head."""
        return Signature(commit_no=head.commit_no, key=self.key, signature=self.over(statement(head)))

    def over(self, text: bytes) -> str:
        """A signature over any text, in hex."""
        return self._key.sign(text).hex()


def _private(pem: str) -> object:
    from cryptography.exceptions import UnsupportedAlgorithm  # noqa: PLC0415 - only where one signs
    from cryptography.hazmat.primitives import serialization  # noqa: PLC0415

    try:
        return serialization.load_pem_private_key(pem.encode(), password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        return None


def fits(signature: Signature, head: Head) -> bool:
    """Whether the signature was made over this head by the key that it names."""
    return is_by(signature.key, signature.signature, statement(head))


def is_by(key: str, signature: str, text: bytes) -> bool:
    """Whether a signature (in hex) was made over a text by a public key (in hex)."""
    from cryptography.exceptions import InvalidSignature  # noqa: PLC0415 - only where one checks

    try:
        _public(key).verify(bytes.fromhex(signature), text)
    except (ValueError, TypeError, InvalidSignature):
        return False
    return True


def public_key(text: str) -> str:
    """The key in hex that someone trusts.

    Args:
        text: 64 hex digits, or a PEM as ``openssl pkey -pubout`` writes it.

    Raises:
        ValueError: it is neither.
    """
    from cryptography.exceptions import UnsupportedAlgorithm  # noqa: PLC0415 - only where one checks
    from cryptography.hazmat.primitives import serialization  # noqa: PLC0415
    from cryptography.hazmat.primitives.asymmetric import ed25519  # noqa: PLC0415

    bare = text.strip().lower()
    if len(bare) == _KEY_DIGITS and not bare.strip("0123456789abcdef"):
        return bare
    try:
        key = serialization.load_pem_public_key(text.encode())
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, ed25519.Ed25519PublicKey):
        says = "found no Ed25519 public key; allowed: 64 hex digits, or PEM (openssl pkey -pubout)"
        raise ValueError(says)  # noqa: TRY004 - what was read is at fault
    return _hex(key)


def _public(key: str) -> "Ed25519PublicKey":
    from cryptography.hazmat.primitives.asymmetric import ed25519  # noqa: PLC0415 - only where one checks

    return ed25519.Ed25519PublicKey.from_public_bytes(bytes.fromhex(key))


def _hex(key: "Ed25519PublicKey") -> str:
    return key.public_bytes_raw().hex()
