"""The chain: every commit group hashes its inputs and events together with the hash before it.

    hash[k] = SHA-256 of RFC 8785 JSON {"events": [...], "first_input": i, "inputs": SHA-256 of the packed rows,
                                        "last_input": j, "prev": hash[k-1], "run": r, "widths": [W, P, D] or null}

``widths`` (null for a group without scans) is in it because a scan read with other widths is another scan. The first
commit of a segment follows the last one of the segment before; the very first follows 64 zeros. The sums beside each
commit prove nothing; they only name the row where a hash does not fit.
"""

import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence

from brakewater.record.rows import Widths

_written = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False).encode

GENESIS = "0" * 64
"""What the first commit of a record follows."""


def inputs_digest(packed_rows: Sequence[bytes]) -> str:
    """SHA-256 in hex over packed rows, see ``rows.packed``."""
    return hashlib.sha256(b"".join(packed_rows)).hexdigest()


def link(
    *,
    prev: str,
    run: int,
    first_input: int,
    last_input: int,
    widths: Widths | None,
    digest: str,
    events: Sequence[bytes],
) -> str:
    """Hash of a commit group in hex.

    Args:
        prev: hash of the group before.
        run: its run.
        first_input: first input of the group.
        last_input: last input of the group.
        widths: layout of its scans; None where it has none.
        digest: ``inputs_digest`` of its inputs.
        events: its events, each as canonical JSON; taken as they are, so that any changed byte shows.
    """
    rest = {
        "first_input": first_input,
        "inputs": digest,
        "last_input": last_input,
        "prev": prev,
        "run": run,
        "widths": [widths.words, widths.points, widths.devices] if widths else None,
    }
    # "events" sorts first, so the whole is the events followed by the rest: whole numbers and hexadecimal text in the
    # order of RFC 8785, which json writes as that asks, in a tenth of the time.
    written = _written(rest).encode()
    return hashlib.sha256(b'{"events":[' + b",".join(events) + b"]," + written[1:]).hexdigest()


def sums(parts: Sequence[bytes], kept: int = 4) -> bytes:
    """CRC-32 of each part as little-endian uint32, in order; of each only the first ``kept`` bytes."""
    return b"".join([zlib.crc32(part).to_bytes(4, "little")[:kept] for part in parts])


def odd_ones(parts: Mapping[int, bytes], recorded: bytes, kept: int = 4) -> list[int]:
    """Places of the parts whose sum is not the one recorded for that place."""
    return [at for at, part in parts.items() if sums([part], kept) != recorded[kept * at : kept * (at + 1)]]
