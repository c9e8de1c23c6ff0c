"""The text beside the scans: JSON lines that hold the recorded bytes as they are, so that they can be hashed again.

A command or gap:  {"body":<as recorded>,"input":7,"kind":"command","t_ns":"...","utc_ns":"..."}
An event:          <as recorded>, with the hash of its commit as one more key at the end
"""

import json
import re
from typing import Final

from brakewater.record.rows import Row

_TAIL: Final = re.compile(rb',"input":(\d+),"kind":"([a-z]+)","t_ns":"(-?\d+)","utc_ns":"(-?\d+)"}$')
_HASH: Final = re.compile(rb',"hash":"([0-9a-f]{64})"}$')


def row_line(row: Row) -> bytes:
    """One input that is no scan, without a line end.

    Raises:
        ValueError: its body is no JSON on one line.
    """
    number, kind, t_ns, utc_ns, body = row
    tail = f',"input":{number},"kind":"{kind}","t_ns":"{t_ns}","utc_ns":"{utc_ns}"}}'
    return b'{"body":' + _checked(body, f"input {number}") + tail.encode()


def row_of(line: bytes) -> Row:
    """What ``row_line`` wrote.

    Raises:
        ValueError: it is none.
    """
    found = _TAIL.search(line)
    if found is None or not line.startswith(b'{"body":'):
        raise ValueError("no input")
    number, kind, t_ns, utc_ns = found.groups()
    return int(number), kind.decode(), int(t_ns), int(utc_ns), line[8 : found.start()]


def event_line(n: int, body: bytes, chain_hash: str) -> bytes:
    """One event, without a line end.

    Raises:
        ValueError: its body is no JSON object on one line.
    """
    return _checked(body, f"event {n}")[:-1] + f',"hash":"{chain_hash}"}}'.encode()


def event_body(line: bytes) -> tuple[bytes, str]:
    """Body and hash of what ``event_line`` wrote.

    Raises:
        ValueError: it is none.
    """
    found = _HASH.search(line)
    if found is None:
        raise ValueError("no event")
    return line[: found.start()] + b"}", found[1].decode()


def _checked(body: bytes, what: str) -> bytes:
    if not isinstance(body, bytes) or b"\n" in body or not (body.startswith(b"{") and body.endswith(b"}")):
        raise ValueError(f"{what}: its body is no JSON object on one line")
    json.loads(body)
    return body
