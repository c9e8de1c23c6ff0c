"""Whatever strangers may send, many times over: outstation, commands over MQTT, panel, rig file, case file.

Called as: cd tests && python -m faults.fuzz [--seconds N] [--seed N] [PART ...]. Each part gets N seconds. Every
input is one that a stranger could send: whole ones with bytes changed, cut, doubled or spliced, and pure chance. What
may come out is said by the part; anything else is a crash, and is printed with its place; the seed gives it again. Each
part's row is printed as it ends, and an input that never ends is, with where it is. Exit status 1 where there was a
crash, a hang, or growth.

The mutations are our own: a coverage-guided fuzzer did not earn a place beside the hypothesis strategies in ``tests``.
"""

import argparse
import asyncio
import faulthandler
import io
import json
import logging
import math
import os
import random
import re
import resource
import sys
import tempfile
import time
import traceback
import zipfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brakewater.errors import BrakewaterError, RigFileError
from brakewater.field.outstation_frames import NotModbusError, Tables, answer, framed, take
from brakewater.notify.commands import Refusal, read, reply_topic
from brakewater.notify.session import Message
from brakewater.panel.guard import Guard
from brakewater.record.case import pack
from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.rig import load, parse
from brakewater.stream import Request
from record_streams import flat

TESTS = Path(__file__).parents[1]
CONFIG = TESTS.parent / "config"
HANG_S = 5.0
STUCK_S = 60.0
"""By the clock, on however busy a machine: an input that takes so long does not end."""
OURS = re.compile(rb"(?:[^/?#]*@)?\[?(?:127\.0\.0\.1|localhost)\]?(?::[^@/?#]*)?(?:[/?#].*)?", re.DOTALL)
"""A host that is this machine, whatever stands before, behind or around it; a longer name is another."""
PLACES = 4
"""Of a crash, as many are told."""
GROWTH = 5 << 20
"""Allowed above what was held after the first tenth, as the soak allows it."""


class Mutator:
    """Inputs that are nearly right."""

    def __init__(self, chance: random.Random, seeds: list[bytes], marks: tuple[bytes, ...] = ()) -> None:
        self._chance, self._seeds, self._marks = chance, seeds, marks

    def __call__(self) -> bytes:
        chance = self._chance
        if chance.random() < 0.02:
            return chance.randbytes(chance.randrange(300))
        data = bytearray(chance.choice(self._seeds))
        for _ in range(1 + int(chance.expovariate(0.7))):
            self._change(data)
        return bytes(data)

    def _change(self, data: bytearray) -> None:
        chance, at = self._chance, self._chance.randrange(len(data) + 1)
        how = chance.randrange(7)
        if how == 0:
            del data[at : at + chance.randrange(1, 9)]
        elif how == 1:
            data[at:at] = chance.randbytes(chance.randrange(1, 9))
        elif how == 2 and self._marks:
            data[at:at] = chance.choice(self._marks)
        elif how == 3:
            other = chance.choice(self._seeds)
            data[at:] = other[chance.randrange(len(other) + 1) :]
        elif how == 4:
            data[at:at] = data[at : at + chance.randrange(64)]
        elif at < len(data):
            data[at] = data[at] ^ 1 << chance.randrange(8) if how == 5 else chance.choice((0, 1, 127, 128, 255))


@dataclass(slots=True, kw_only=True)
class Found:
    """What became of a part."""

    part: str
    inputs: int = 0
    taken: int = 0
    """Inputs that were accepted: a part that refuses all of them proves little."""
    seconds: float = 0.0
    longest_s: float = 0.0
    growth: int = 0
    crashes: list[str] = field(default_factory=list)

    @property
    def broken(self) -> bool:
        return bool(self.crashes) or self.longest_s > HANG_S or self.growth > GROWTH


# --------------------------------------------------------------------------------------------- the parts
# Each makes what takes one input and says whether it was accepted; whatever it lets through is a crash.


def outstation(chance: random.Random) -> Iterator[Callable[[], bool]]:
    """Frames as they come off the wire. Answers are held against the specification's lengths."""
    written: list[int] = []
    tables = Tables(
        registers=bytes(range(256)) * 2, discrete=0b1011, discrete_count=40, coils=1, coil_count=4,
        write=lambda coil, _value: written.append(coil),
    )  # fmt: skip
    heads = [b"\0\1\0\0\0\6\1", b"\0\2\0\0\0\x08\1"]
    seeds = [head + bytes((code,)) + rest for head in heads for code in (1, 2, 3, 4, 5, 6, 15, 16, 43)
             for rest in (b"\0\0\0\x0a", b"\0\0\xff\0", b"\0\1\0\4\1\x0f")]  # fmt: skip
    make, buffer = Mutator(chance, seeds), bytearray()

    def one() -> bool:
        buffer.extend(make())
        del buffer[:-4096]
        taken = False
        try:
            while (asked := take(buffer)) is not None:
                said = framed(asked, answer(asked.request, tables))
                assert 9 <= len(said) <= 260, said
                assert said[7] & 0x7F == asked.request[0] & 0x7F, said
                taken = taken or not said[7] & 0x80
        except NotModbusError:
            buffer.clear()
        assert all(0 <= coil < 4 for coil in written), written
        written.clear()
        return taken

    yield one


def commands(chance: random.Random) -> Iterator[Callable[[], bool]]:
    """Payloads and response topics of MQTT commands."""
    rig = load(str(CONFIG / "demo.toml"))
    seeds = [json.dumps(one).encode() for one in (
        {"id": "7", "do": "acknowledge", "alarm": "aux.cooling-lost"},
        {"id": "a-1", "do": "shelve", "alarm": "all", "minutes": 30.5, "reason": "x"},
        {"id": "9", "do": "set", "alarm": "aux.cooling-flow-low", "setpoint": "70 gal/min", "x": [None, {"y": []}]},
    )]  # fmt: skip
    marks = (b'"id"', b"[" * 50, b"{" * 50, b"1e999", b"NaN", b"\\ud800", b'"do"', b"\xff", b"-0", b"9" * 400)
    make, topics = (
        Mutator(chance, seeds, marks),
        Mutator(chance, [b"brakewater/rig-4/answer/driller/7", b"x/+/#", b"\0"]),
    )

    def one() -> bool:
        topic = topics().decode(errors="replace")
        message = Message(topic="", payload=make(), retained=chance.random() < 0.1, reply_to=topic, correlation=None)
        actor = chance.choice(("driller", "nobody"))
        asked = read(rig, actor, message)
        assert isinstance(asked, Request | Refusal)
        target = reply_topic(rig, actor, asked.id, message.reply_to)
        assert not set(target) & set("+#\0"), target
        assert not target.startswith("brakewater/rig-4/") or target.startswith(f"brakewater/rig-4/answer/{actor}/"), (
            target
        )
        return isinstance(asked, Request)

    yield one


def panel(chance: random.Random) -> Iterator[Callable[[], bool]]:
    """Hosts, origins, methods, paths and bodies before the application's guard; only a fitting pair may pass."""
    passed: list[list[tuple[bytes, bytes]]] = []

    async def inner(scope: Any, receive: Any, send: Any) -> None:
        more = True
        while more:
            message = await receive()
            if message["type"] == "http.disconnect":
                return
            more = message.get("more_body", False)
        passed.append(scope["headers"])
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    loop = asyncio.new_event_loop()
    guard = Guard(inner, hosts=frozenset({"127.0.0.1", "localhost"}))
    hosts = Mutator(
        chance, [b"127.0.0.1:8420", b"localhost", b"[::1]:8420", b"user@127.0.0.1", b"127.0.0.1.rebound.example"]
    )
    origins = Mutator(chance, [b"http://127.0.0.1:8420", b"null", b"https://localhost", b"http://rebound.example"])
    numbers = Mutator(chance, [b"0", b"12", b"99999999999999999999", b"-1"])

    def value(make: Mutator) -> bytes:
        return chance.choice((b"127.0.0.1:8420", b"http://127.0.0.1:8420")) if chance.random() < 0.2 else make()

    def one() -> bool:
        method = chance.choice(("GET", "POST", "PUT", "HEAD", "OPTIONS", "X"))
        headers = [(b"host", value(hosts))] * chance.choice((1, 1, 1, 1, 0, 2))
        headers += [(b"origin", value(origins))] if chance.random() < 0.7 else []
        headers += [(b"content-length", numbers())] if chance.random() < 0.3 else []
        scope = {"type": "http", "method": method, "path": "/" + origins().decode("latin1"), "headers": headers}
        left = [{"type": "http.request", "body": b"x" * chance.choice((0, 10, 70_000)), "more_body": n > 0}
                for n in reversed(range(chance.randrange(1, 4)))]  # fmt: skip
        told: list[Any] = []

        async def receive() -> Any:
            return left.pop(0) if left else {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            told.append(message)

        passed.clear()
        loop.run_until_complete(guard(scope, receive, send))
        if passed:
            host = next(text for name, text in passed[0] if name == b"host")
            origin = next((text for name, text in passed[0] if name == b"origin"), b"")
            assert OURS.fullmatch(host.lower()), host
            assert method in ("GET", "HEAD") or host in origin, (method, host, origin)
        return bool(passed)

    try:
        yield one
    finally:
        loop.close()


def rig_file(chance: random.Random) -> Iterator[Callable[[], bool]]:
    """Rig files with mistakes of every kind: refused with faults, each with key and what is allowed, or accepted."""
    texts = [(CONFIG / name).read_bytes() for name in ("demo.toml", "rig-4-full.toml")]
    lines = [line for text in texts for line in text.splitlines(keepends=True)]
    marks = (*(chance.choice(lines) for _ in range(200)), b'"1e999 gal/min"', b"[" * 200, b"nan", b"-inf", b'"', b"'''",
             b"\\u0000", b"9999999999999999999999", b"[[brake]]\n", b"1979-05-27", b"true", b"{}", b'" "')  # fmt: skip
    make = Mutator(chance, texts, marks)

    def one() -> bool:
        try:
            parse(make().decode(errors="replace"))
        except RigFileError as error:
            return _told(error)
        return True

    yield one


def _told(error: RigFileError) -> bool:
    """A refusal says what is wrong."""
    assert error.faults
    assert all(str(fault) for fault in error.faults)
    return False


def held(case: Path) -> tuple[list[object], list[object]]:
    """Inputs and events of a case file."""
    record = Record(case)
    return list(flat(record.inputs())), list(record.events())


def case_file(chance: random.Random) -> Iterator[Callable[[], bool]]:
    """Case files from a stranger: read, verified and refused, and never a byte written."""
    with tempfile.TemporaryDirectory() as scratch:
        case, changed = Path(scratch) / "a.case.zip", Path(scratch) / "b.case.zip"
        pack(Record(TESTS / "records" / "1"), case, None, None)
        with zipfile.ZipFile(case) as archive:
            whole = {entry.filename: archive.read(entry) for entry in archive.infolist()}
        makes = {name: Mutator(chance, [data], (b"{}", b"null", b"-1", b"99999999999")) for name, data in whole.items()}
        true = held(case)
        packed, marks = case.read_bytes(), (b"PK\1\2", b"PK\5\6", b"PK\3\4")
        bare, body = Mutator(chance, [packed], marks), packed[: packed.index(b"PK\1\2")]
        directory = Mutator(chance, [packed[len(body) :]], marks)  # by chance over the whole it is hardly ever met

        def one() -> bool:
            how = chance.random()
            if how < 0.4:
                changed.write_bytes(bare() if how < 0.2 else body + directory())
            else:  # a whole zip around what was changed
                name, told = chance.choice(list(whole)), io.BytesIO()
                with zipfile.ZipFile(told, "w") as archive:
                    for each, data in whole.items():
                        archive.writestr(zipfile.ZipInfo(each), makes[each]() if each == name else data)
                changed.write_bytes(told.getvalue())
            taken = False
            with suppress(BrakewaterError):
                taken = verify(changed).verdict == "consistent"
                same = held(changed) == true
                assert same or not taken, "consistent, and not what was recorded"
            assert sorted(path.name for path in Path(scratch).iterdir()) == ["a.case.zip", "b.case.zip"]
            return taken

        yield one


PARTS = {"outstation": outstation, "mqtt": commands, "panel": panel, "rig-file": rig_file, "case-file": case_file}


def run(part: str, seconds: float, seed: int) -> Found:
    """Feed one part for so long."""
    found, chance = Found(part=part), random.Random(f"{part}-{seed}")
    made = PARTS[part](chance)
    one, began, held, looked = next(made), time.monotonic(), 0, -math.inf
    try:
        while (now := time.monotonic()) < began + seconds:
            if now > looked + STUCK_S / 10:
                faulthandler.dump_traceback_later(STUCK_S, exit=True)
                looked = now
            spent = time.process_time()
            try:
                found.taken += one()
            except BaseException as error:
                if isinstance(error, KeyboardInterrupt):
                    raise
                found.crashes.append(f"{part}, input {found.inputs}, seed {seed}: {error!r}, {_place(error)}")
                if len(found.crashes) > 20:
                    break
            found.inputs += 1
            found.longest_s = max(found.longest_s, time.process_time() - spent)  # a busy machine is nobody's hang
            if not held and now > began + seconds / 10:
                held = _held()
    finally:
        faulthandler.cancel_dump_traceback_later()
        made.close()
    found.seconds = time.monotonic() - began
    found.growth = max(0, _held() - held) if held else 0
    return found


def _place(error: BaseException) -> str:
    """Where it was raised: the last places, the innermost first."""
    frames = reversed(traceback.extract_tb(error.__traceback__)[-PLACES:])
    return " < ".join(f"{Path(one.filename).name}:{one.lineno} {one.name}" for one in frames)


def _held() -> int:
    """Resident memory now, bytes."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize()


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(PARTS))
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    unknown = set(args.parts) - PARTS.keys()
    if unknown:
        parser.error(f"found {', '.join(sorted(unknown))}; allowed: {', '.join(PARTS)}")
    # What is logged of each refusal is worded, and read by nobody: a long look makes a million lines of it.
    logging.basicConfig(handlers=[logging.FileHandler(os.devnull)])
    print(f"{'part':12}{'inputs':>12}{'accepted':>12}{'seconds':>10}{'longest':>10}{'growth':>10}{'crashes':>9}")
    rows = []
    for part in args.parts or PARTS:
        row = run(part, args.seconds, args.seed)
        rows.append(row)
        told = (
            f"{row.part:12}{row.inputs:12,}{row.taken:12,}{row.seconds:10.0f}{row.longest_s * 1e3:7.0f} ms"
            f"{row.growth / 2**20:6.1f} MiB{len(row.crashes):9}"
        )
        print("\n    ".join([told, *row.crashes]), flush=True)
    print(f"{'all':12}{sum(row.inputs for row in rows):12,}")
    return 1 if any(row.broken for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
