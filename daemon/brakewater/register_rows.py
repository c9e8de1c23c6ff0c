"""The outstation's map as rows to print, the watchdog that its PLC must build, and the cautions that go with both."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Final

from brakewater import register_map as places
from brakewater.quality import MEANINGS, Reason, Status, quality, reason_name, status_name
from brakewater.register_map import NOT_FITTED, Cell, Layout, brake_base
from brakewater.render import spoken
from brakewater.rig import Rig

WATCHDOG_POLL_MS: Final = 250
WATCHDOG_MS: Final = 1300
"""The slowest cadence, a second, beats in time; and a beat seen late, a poll and this stay within two seconds.

What is written to a mailbox may be a refresh older, so there it comes on top of that.
"""

CAUTIONS: Final = (
    "Advisory only: nothing here may drive, release or interlock the brake, or take the place of a safety function.",
    (
        "Build the watchdog and prove it: stop the daemon, and every lamp fed from here must fall to its warning state"
        " within two seconds."
    ),
    "Look at the quality word before a value. A bad value stands at the side that raises alarms; it is no measurement.",
    "Read each block in one request, or compare its first and last register: the scan counter stands in both.",
    "Modbus TCP knows no password: whoever the allow list lets in can read all and press the coils.",
    (
        "Write a coil when its button changes, 1 and then 0, or its state again and again, once a second or faster: a"
        " button that is held or sticks then presses once. Where 0 is never written, each 1 that comes more than 0.3 s"
        " after the last is a press. A coil clears itself. While the watch stands still a write is refused with"
        " exception 6 (busy): the press came to nothing, and has to be made again."
    ),
)

WATCHDOG_WORDS: Final = (
    (
        f"Every {WATCHDOG_POLL_MS} ms read the first block (registers 0 to 99) in one request, with a time-out of"
        f" {WATCHDOG_POLL_MS} ms."
    ),
    (
        "The watch is alive while the answer comes, its format and signature are those printed here, its first and last"
        " register are equal, health bit 0 (watching) is 1, and the heartbeat differs from the last one read."
    ),
    (
        f"When that has not been so for {WATCHDOG_MS} ms, the watch has stopped: put out the lamp watching, light a"
        " lamp that says so, take every other lamp and value from here as unknown, and sound the horn once."
    ),
    "It takes effect from power-up on: until the first good answer the watch counts as stopped.",
)

_WATCHDOG_CODE: Final = """\
(* once every {poll} ms, after READ_HOLDING(unit := {unit}, address := 0, count := 100) *)
alive := answer_ok
     AND regs[{version}] = {format}
     AND regs[{signature}] = 16#{high:04X} AND regs[{signature_low}] = 16#{low:04X}
     AND regs[0] = regs[99]
     AND regs[{health}].0
     AND beat_known AND regs[{beats}] <> last_beat;
IF answer_ok THEN last_beat := regs[{beats}]; beat_known := TRUE; END_IF;
watch_lost_timer(IN := NOT alive, PT := T#{limit}ms);      (* on-delay, runs in the PLC's own cycle *)
watch_lost := watch_lost_timer.Q OR never_alive;
never_alive := never_alive AND NOT alive;                (* TRUE at power-up, beat_known FALSE *)
lamp_watching := NOT watch_lost;
lamp_watch_lost := watch_lost;                           (* a lamp of its own, never shared *)
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One entry of the map."""

    address: int
    """Zero-based wire address in its table."""
    count: int
    table: str
    """``register`` (functions 3 and 4), ``discrete`` (2), ``coil`` (1, 5, 15), or ``mailbox``: on the PLC (16)."""
    name: str
    type: str
    unit: str
    bad: str
    """What stands there when the value is bad."""
    says: str

    @property
    def reference(self) -> str:
        """In the notation that counts from 1: 40001 (410000 and above from address 9999 on), 10001, 00001."""
        first = {"discrete": "1", "coil": "0"}.get(self.table, "4")
        return f"{first}{self.address + 1:0{4 if self.address < 9999 else 5}d}"


def rows(layout: Layout, derived: Collection[str]) -> list[Row]:
    """Everything the outstation answers for, and everything written to mailboxes.

    Args:
        layout: of the rig.
        derived: quantities that this version derives.
    """
    found = [*_head(layout), *_cells(layout, None, derived)]
    for at, brake in enumerate(layout.rig.brakes):
        found += [*_brake(layout, at, brake.name), *_cells(layout, brake.name, derived)]
    found.sort(key=lambda row: row.address)
    return [*found, *_discrete(layout), *_coils(), *mailbox_rows(layout.rig)]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReasonRow:
    """What a reason register may hold."""

    code: int
    quality: str
    name: str
    """As events and MQTT payloads have it."""
    says: str


def reasons() -> list[ReasonRow]:
    """Every reason code, in order."""
    known = [
        ReasonRow(code=code, quality=quality(code).name.lower(), name=reason_name(code), says=MEANINGS[code].says)
        for code in sorted(Reason)
    ]
    none = ReasonRow(code=NOT_FITTED, quality="bad", name="not-fitted", says="This rig has no such signal.")
    return [*known, none]


def watchdog_code(layout: Layout) -> str:
    """The watchdog as structured text (IEC 61131-3 in style; a pattern, not a program)."""
    return _WATCHDOG_CODE.format(
        poll=WATCHDOG_POLL_MS,
        limit=WATCHDOG_MS,
        unit=layout.rig.registers.unit if layout.rig.registers else 1,
        version=places.VERSION,
        format=places.FORMAT,
        signature=places.SIGNATURE,
        signature_low=places.SIGNATURE + 1,
        high=layout.signature >> 16,
        low=layout.signature & 0xFFFF,
        health=places.HEALTH,
        beats=places.BEATS,
    )


def mailbox_watchdog(rig: Rig) -> list[str]:
    """What a PLC must build that does not poll and is written to, a sentence a mailbox."""
    return [
        f"The mailbox on {one.device} at address {one.address} is written every {one.refresh / 1e9:g} s, and when a"
        f" lamp changes. Where its heartbeat (address {one.first}) has stood still for"
        f" {(one.refresh + 1_000_000 * WATCHDOG_MS) / 1e9:g} s,"
        f" or bit 0 of its health (address {one.first + 1}) is 0, the watch has stopped: do as above."
        for one in rig.mailboxes
    ]


def _word(address: int, name: str, says: str, *, count: int = 1, kind: str = "uint16", table: str = "register") -> Row:
    return Row(address=address, count=count, table=table, name=name, type=kind, unit="", bad="", says=says)


def _head(layout: Layout) -> Iterator[Row]:
    counts = "scan counter, 16 bits; stands at both ends of the block"
    yield _word(places.SCANS, "scans", counts)
    yield _word(places.BEATS, "heartbeat", "counts scans that went through the engine, 16 bits; stands when they stop")
    yield _word(places.HEALTH, "health", _bits(name for name, _ in places.HEALTH_BITS), kind="bits")
    yield _word(places.VERSION, "format", f"{places.FORMAT}: version of this layout")
    signature = f"16#{layout.signature:08X}: changes when a place gets another meaning or unit; high word first"
    yield _word(places.SIGNATURE, "signature", signature, count=2, kind="uint32")
    yield _word(places.HORN, "horn", "0 off, 1 alarm, 2 ringback")
    yield _word(places.BRAKES, "brakes", f"how many there are: {len(layout.rig.brakes)}")
    yield _word(places.LAMP_COUNT, "lamps", f"how many there are, watching counted: {len(layout.lamps)}")
    yield _word(places.DEVICE_COUNT, "devices", f"how many there are: {len(layout.devices)}")
    yield from _bit_words(places.ACTIVE, "rig alarms active", places.ALARMS_OF_RIG)
    yield from _bit_words(places.UNSEEN, "rig alarms unacknowledged", places.ALARMS_OF_RIG)
    yield from _bit_words(places.LIT, "lamps lit", layout.lamps, other=False)
    for at, name in enumerate(layout.lamps):
        says = "0 off, 1 steady, 2 flash, 3 slow flash, 4 first flash; the PLC does the flashing"
        yield _word(places.LAMPS + at, f"lamp {name}", says)
    polled = ", ".join(f"{code.value} {status_name(code)}" for code in Status if Status.OK < code < Status.EXCEPTION)
    for at, name in enumerate(layout.devices):
        yield _word(places.DEVICES + at, f"device {name}", f"0 answers; no good answer: {polled}; 128 + exception code")
    for first, last in layout.blocks:
        for address in {first, last} - {places.SCANS}:
            yield _word(address, "scans", counts)


def _bit_words(address: int, name: str, names: Collection[str], *, other: bool = True) -> Iterator[Row]:
    listed = list(names)
    yield _word(address, name, _bits(listed[:16]), kind="bits")
    last = [(places.OTHER_ALARM, "any other")] if other else []
    says = _bits(listed[16:], first=16, last=last, shift=16)
    yield _word(address + 1, f"{name}, continued", says or "none yet", kind="bits")


def _bits(
    names: Iterator[str] | list[str], *, first: int = 0, last: list[tuple[int, str]] | None = None, shift: int = 0
) -> str:
    numbered = [*enumerate(names, first), *(last or [])]
    return ", ".join(f"{number - shift} {name}" for number, name in numbered)


def _brake(layout: Layout, at: int, name: str) -> Iterator[Row]:
    del layout
    base = brake_base(at)
    yield from _bit_words(base + places.BRAKE_ACTIVE, f"{name} alarms active", places.ALARMS_OF_BRAKE)
    yield from _bit_words(base + places.BRAKE_UNSEEN, f"{name} alarms unacknowledged", places.ALARMS_OF_BRAKE)


def _cells(layout: Layout, brake: str | None, derived: Collection[str]) -> Iterator[Row]:
    for cell in layout.cells:
        if cell.brake == brake:
            name = f"{brake or 'rig'} {spoken(cell.quantity) if cell.derived else cell.quantity}"
            yield Row(
                address=cell.address,
                count=2,
                table="register",
                name=name,
                type="float32",
                unit=cell.unit,
                bad=f"{cell.bad:.6g}",
                says=_origin(cell, derived),
            )
            yield _word(cell.address + 2, f"{name} quality", "0 good, 1 uncertain, 2 bad")
            yield _word(cell.address + 3, f"{name} reason", f"reason code; {NOT_FITTED}: not on this rig")


def _origin(cell: Cell, derived: Collection[str]) -> str:
    if not cell.derived:
        return f"point {cell.point}; high word first" if cell.point else "not on this rig: always bad"
    return (
        f"derived ({cell.quantity}); high word first"
        if cell.quantity in derived
        else "not derived by this version: always bad"
    )


def _discrete(layout: Layout) -> Iterator[Row]:
    heads = ["health", *("rig alarms active",) * 2, *("rig alarms unacknowledged",) * 2, *("lamps lit",) * 2, "horn"]
    for brake in layout.rig.brakes:
        heads += [f"{brake.name} alarms active"] * 2 + [f"{brake.name} alarms unacknowledged"] * 2
    for at, (word, head) in enumerate(zip(layout.bit_words, heads, strict=True)):
        yield _word(16 * at, head, f"bit 0 to 15 of register {word}", count=16, kind="bit", table="discrete")


def _coils() -> Iterator[Row]:
    for at, (name, says) in enumerate(places.COILS):
        yield _word(at, name, f"{says}: write 1; clears itself", kind="bit", table="coil")


def mailbox_rows(rig: Rig) -> Iterator[Row]:
    """Every register of every lamp mailbox, on the PLC."""
    for mailbox in rig.mailboxes:
        place = f"{mailbox.device} mailbox"
        number = f"{mailbox.signature} (16#{mailbox.signature:04X})"
        says = f"the PLC's program keeps {number} here; read before each write, never written"
        yield _word(mailbox.address, f"{place} signature", says, table="mailbox")
        names = [
            "heartbeat",
            "health",
            "horn",
            "lamp watching",
            *(f"lamp {lamp.name}" for lamp in rig.lamps),
            "lamp ready",
        ]
        for at in range(mailbox.count - 1):
            name = names[at] if at < len(names) else "spare, written as 0"
            yield _word(mailbox.first + at, f"{place} {name}", "as the outstation's register of that name",
                        table="mailbox")  # fmt: skip
