"""What someone who wants another past does to a record: a changed row, the chain hashed anew so that nothing shows.

Written with hashlib and rfc8785 alone from what the docstrings of the record promise, so that it also checks those.
"""

import hashlib
import sqlite3
import struct
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import rfc8785

KINDS = {"start": 0, "scan": 1, "command": 2, "gap": 3}


def alter(path: Path, *statements: str) -> None:
    """Change a hot segment and leave its chain as it was."""
    with closing(sqlite3.connect(path)) as base:
        for statement in statements:
            base.execute(statement)
        base.commit()


def hashed_anew(paths: list[Path], *, sign: Callable[[int, int, str], tuple[str, str]] | None = None) -> None:
    """Hash the chain of hot segments anew throughout; signatures stay as they are, or are made anew by another key."""
    link = None
    before = 0
    for path in paths:
        with closing(sqlite3.connect(path)) as base:
            if link is not None:
                base.execute("UPDATE meta SET value = ? WHERE key = 'prev_hash'", (link,))
                base.execute("UPDATE meta SET value = ? WHERE key = 'prev_run'", (before,))
            meta = dict(base.execute("SELECT key, value FROM meta"))
            link, before = str(meta["prev_hash"]), int(meta["run"])
            for row in base.execute(
                "SELECT commit_no, first_input, last_input, first_event, last_event FROM commits ORDER BY commit_no"
            ).fetchall():
                link = _commit_anew(base, meta, row, link)
                if sign is not None:
                    key, signature = sign(before, row[0], link)
                    where = (key, signature, row[0])
                    base.execute("UPDATE signatures SET key = ?, signature = ? WHERE commit_no = ?", where)
            base.commit()


def _commit_anew(base: sqlite3.Connection, meta: dict[str, int], row: tuple[int, int, int, int, int], prev: str) -> str:
    number, first, last, first_event, last_event = row
    query = "SELECT input, kind, t_ns, utc_ns, body FROM inputs WHERE input BETWEEN ? AND ? ORDER BY input"
    rows = base.execute(query, (first, last)).fetchall()
    parts = [struct.pack("<qBqqI", one, KINDS[kind], t, utc, len(body)) + body for one, kind, t, utc, body in rows]
    query = "SELECT body FROM events WHERE n BETWEEN ? AND ? ORDER BY n"
    events = [body for (body,) in base.execute(query, (first_event, last_event))]
    digest = hashlib.sha256(b"".join(parts)).hexdigest()
    scans = any(kind == "scan" for _, kind, *_ in rows)
    rest = rfc8785.dumps(
        {
            "first_input": first,
            "inputs": digest,
            "last_input": last,
            "prev": prev,
            "run": meta["run"],
            "widths": [meta["words"], meta["points"], meta["devices"]] if scans else None,
        }
    )
    link = hashlib.sha256(b'{"events":[' + b",".join(events) + b"]," + rest[1:]).hexdigest()
    sums = b"".join(struct.pack("<I", zlib.crc32(part)) for part in (*parts, *events))
    query = "UPDATE commits SET inputs_digest = ?, sums = ?, hash = ? WHERE commit_no = ?"
    base.execute(query, (digest, sums, link, number))
    return link
