"""A day of a rig with twelve points of its own, as its journal would hold it, written without waiting for a clock.

The signals: a slow walk with daily and quarter-hourly swings, and on it white noise of 2 to 15 counts (standard
deviation), another one on each point; scans about 0.3 ms late (half normal), ages about a millisecond, both stamped to
0.1 ms as the watch does.
"""

from pathlib import Path
from typing import Any

import numpy as np

from brakewater.record.backlog import Entry
from brakewater.record.journal import connect_plainly
from brakewater.record.writer import SegmentWriter
from brakewater.rig import SELF, Rig, parse
from brakewater.stream import Block, Start

DAY_NS = 86_400_000_000_000
SCANS = 432_000
UTC_NS = 1_927_843_200_000_000_000
"""2031-02-03T00:00Z."""
NOISE = (2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 15)
"""Counts, one a point."""
STAMP_NS = 100_000
_CENTRES = (15_000, 11_000, 12_500, 14_000, 20_000, 9_000, 11_100, 11_200, 11_300, 11_400, 8_000, 7_000)
_HEAD = """
schema = 1
[rig]
name = "rig-4"
scan = "200 ms"
[[device]]
name = "plc1"
host = "127.0.0.1"
[[brake]]
name = "aux"
least-flow = "75 gal/min"
bearing-level = "600 mm"
"""
_ROLES = (
    ("inlet-flow", 'kind = "current-loop", raw = [0, 27648], range = ["0 gal/min", "150 gal/min"]'),
    ("inlet-temperature", 'kind = "pt100", ohms-per-count = 0.01'),
    ("outlet-temperature", 'kind = "pt100", ohms-per-count = 0.01'),
    ("brake-level", 'kind = "current-loop", raw = [0, 27648], range = ["0 mm", "1000 mm"]'),
    ("return-flow", 'kind = "current-loop", raw = [0, 27648], range = ["0 gal/min", "150 gal/min"]'),
    ("supply-pressure", 'kind = "current-loop", raw = [0, 27648], range = ["0 psi", "100 psi"]'),
)
_BESIDE = (
    ("tank-temperature", 'kind = "pt100", ohms-per-count = 0.01'),
    ("ambient-temperature", 'kind = "pt100", ohms-per-count = 0.01'),
    ("hook-load", 'kind = "linear", raw = [0, 32767], range = ["0 klbf", "500 klbf"]'),
    ("block-position", 'kind = "linear", raw = [0, 32767], range = ["0 m", "40 m"]'),
    ("coil-current", 'kind = "linear", raw = [0, 32767], range = ["0 A", "100 A"]'),
    ("drum-speed", 'kind = "linear", raw = [0, 32767], range = ["0 rpm", "500 rpm"]'),
)
_OF_BRAKE = ("coil-current", "drum-speed")


def rig() -> Rig:
    """One brake, twelve points of one register each."""
    text = _HEAD
    for at, (role, signal) in enumerate((*_ROLES, *_BESIDE)):
        table = "[[brake.point]]" if at < len(_ROLES) or role in _OF_BRAKE else "[[point]]"
        text += f'{table}\nname = "p{at}"\nrole = "{role}"\ndevice = "plc1"\ntable = "input"\naddress = {at}\n'
        text += f'type = "uint16"\nsignal = {{ {signal} }}\n'
    return parse(text)


def scans(of: Rig, first: int, n: int, run: int = 1, seed: int = 1) -> Block:
    """``n`` scans from input ``first`` on."""
    chance = np.random.default_rng([seed, first])
    number = np.arange(first, first + n, dtype=np.int64)
    words = np.zeros((n, of.words), np.uint16)
    own: dict[str, Any] = {
        "self.lateness": np.abs(chance.normal(0, 300, n)) // 100 * 100,
        "self.commit-age": number % 5 * 200,
        "self.queued": number % 5,
    }
    for slot in of.slots:
        if slot.point.device == SELF:
            if slot.point.name in own:
                words[:, slot.column + slot.point.count - 1] = own[slot.point.name].astype(np.uint16)
            continue
        at = int(slot.point.name[1:])
        slow = 300 * np.sin(2 * np.pi * number / (SCANS / (at + 1))) + 40 * np.sin(2 * np.pi * number / 900)
        values = _CENTRES[at] + slow + np.cumsum(chance.normal(0, 0.1, n)) + chance.normal(0, NOISE[at], n)
        words[:, slot.column] = np.clip(np.round(values), 0, 65535).astype(np.uint16)
    t_ns = (number * 200_000_000 + np.abs(chance.normal(0, 300_000, n))).astype(np.int64) // STAMP_NS * STAMP_NS
    utc_ns = UTC_NS + (t_ns + chance.normal(0, 5_000, n).astype(np.int64)) // 1_000_000 * 1_000_000
    age_ns = np.abs(chance.normal(1_000_000, 400_000, (n, len(of.groups)))).astype(np.int64) // STAMP_NS * STAMP_NS
    age_ns[:, -1] = STAMP_NS
    return Block(
        run=run,
        input=number,
        t_ns=t_ns,
        utc_ns=utc_ns,
        words=words,
        status=np.zeros((n, len(of.slots)), np.uint8),
        age_ns=age_ns,
    )


def start(of: Rig, run: int = 1, snapshot: bytes = b"") -> Start:
    return Start(
        run=run, t_ns=0, utc_ns=UTC_NS, boot="made@0", version="test", rig_toml=of.text, own=of.own, snapshot=snapshot
    )


def write_day(folder: Path, of: Rig, *, run: int = 1, count: int = SCANS, a_commit: int = 5) -> None:
    """A closed run, one commit a second."""
    writer = SegmentWriter(folder, connect_plainly)
    folder.mkdir(parents=True, exist_ok=True)
    writer.write([Entry(item=start(of, run), first=0, last=0, events=(), ticket=None)])
    for first in range(1, count + 1, 8000):
        block = scans(of, first, min(8000, count + 1 - first), run)
        for at in range(0, len(block), a_commit):
            part = block.cut(at, min(at + a_commit, len(block)))
            entry = Entry(item=part, first=int(part.input[0]), last=int(part.input[-1]), events=(), ticket=None)
            writer.write([entry])
        writer.fold(idle=False)
    writer.write([Entry(item=start(of, run + 1), first=0, last=0, events=(), ticket=None)])
    writer.close()
