"""From the newest picture to the words that PLCs get: the outstation's image and the words of a lamp mailbox."""

import struct
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from brakewater import register_map as places
from brakewater.alarms.annunciator import WATCHING
from brakewater.alarms.lifecycle import UNSEEN, State
from brakewater.quality import NOBODY_BEHIND, Quality, Reason, Status, quality
from brakewater.register_map import NOT_FITTED, Cell, Layout, brake_base
from brakewater.render import horn_now, lamps, watching
from brakewater.rig import SELF, Rig
from brakewater.stream import AlarmNow, Picture
from brakewater.units import shown

ASPECTS: Final = {"off": 0, "steady": 1, "flash": 2, "slow-flash": 3, "first-flash": 4}
SOUNDS: Final = {"off": 0, "alarm": 1, "ringback": 2}
_HOLDS: Final = frozenset((State.UNACKNOWLEDGED.value, State.ACKNOWLEDGED.value))
"""What a PLC is told of as active: what is announced. A masked alarm sets no bit, as it lights no lamp (ISA-18.2: what
is shelved, suppressed or out of service is not annunciated); its condition is in the ``active`` of the MQTT topic."""
_UNSEEN: Final = frozenset(state.value for state in UNSEEN)
_LARGEST: Final = 3.4e38
_CELL: Final = struct.Struct(">fHH")
_BAD: Final = int(Quality.BAD)


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """How the watch's other sides do; true where all is well or there is none."""

    recording: bool = True
    broker: bool = True
    mirrors: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """What is to be shown."""

    picture: Picture | None
    """None before the first."""
    beats: int
    """Outcomes of the engine so far, 16 bits."""
    watching: bool
    """Outcomes come; without them every value is bad."""
    links: Links


def health_word(sight: Sight) -> int:
    """Bits of ``register_map.HEALTH_BITS``."""
    alarms = sight.picture.alarms if sight.picture else ()
    status = sight.picture.status if sight.picture else {}
    bits = (
        sight.watching,
        sight.links.recording,
        sight.links.broker,
        sight.links.mirrors,
        any(_is_silent(code) for device, code in status.items() if device != SELF),
        any(alarm.state in _HOLDS for alarm in alarms),
        any(alarm.state in _UNSEEN for alarm in alarms),
        any(alarm.test is not None for alarm in alarms),
    )
    return sum(bit << at for at, bit in enumerate(bits))


def _is_silent(status: int) -> bool:
    return Status.OK < status < Status.EXCEPTION or status in NOBODY_BEHIND


def horn_word(rig: Rig, sight: Sight) -> int:
    """What the horn does; an unknown sound is an alarm."""
    return 0 if sight.picture is None else SOUNDS.get(horn_now(rig, sight.picture)["sound"], SOUNDS["alarm"])


def lamp_words(rig: Rig, sight: Sight) -> list[int]:
    """The aspect of each lamp, ``watching`` first; an unknown aspect flashes. Stale lamps stay as they were."""
    lit = {WATCHING: watching(lit=False)} if sight.picture is None else lamps(rig, sight.picture)
    aspects = [0 if name not in lit else ASPECTS.get(lit[name]["aspect"], ASPECTS["flash"]) for name in _names(rig)]
    own = (0, len(aspects) - 1)  # watching and ready must not outlive what they were told from
    return [ASPECTS["off"] if at in own and not sight.watching else aspect for at, aspect in enumerate(aspects)]


def _names(rig: Rig) -> Iterable[str]:
    return rig.windows


def mailbox_words(rig: Rig, sight: Sight, count: int) -> tuple[int, ...]:
    """Heartbeat, health, horn and lamps, ``ready`` last where there is room, filled up with 0.

    Args:
        rig: its lamps.
        sight: what is to be shown.
        count: words wanted.
    """
    words = [sight.beats, health_word(sight), horn_word(rig, sight), *lamp_words(rig, sight)]
    return tuple((words + [0] * (count - len(words)))[:count])


def image(layout: Layout, sight: Sight) -> bytes:
    """Every register from 0 on, high byte first."""
    made = bytearray(2 * layout.size)
    _write(made, places.BEATS, sight.beats, health_word(sight), places.FORMAT)
    _write(made, places.SIGNATURE, *_words(layout.signature, low_first=False))
    counts = len(layout.rig.brakes), len(layout.lamps), len(layout.devices)
    _write(made, places.HORN, horn_word(layout.rig, sight), *counts)
    lit = lamp_words(layout.rig, sight)[: len(layout.lamps)]
    _write(made, places.LAMPS, *lit)
    _write(made, places.LIT, *_words(sum((aspect != 0) << at for at, aspect in enumerate(lit))))
    if sight.picture is not None:
        _write_alarms(made, layout, sight.picture)
        _write(made, places.DEVICES, *(sight.picture.status.get(name, 0) for name in layout.devices))
        for block in layout.blocks:
            for address in block:
                _write(made, address, sight.picture.input & 0xFFFF)
    for cell in layout.cells:
        _CELL.pack_into(made, 2 * cell.address, *_seen(cell, layout.rig.units, sight))
    return bytes(made)


def bits(layout: Layout, registers: bytes) -> int:
    """The discrete inputs of an image, input 0 the lowest bit."""
    return sum(
        int.from_bytes(registers[2 * word : 2 * word + 2], "big") << 16 * at for at, word in enumerate(layout.bit_words)
    )


def _write(made: bytearray, address: int, *words: int) -> None:
    struct.pack_into(f">{len(words)}H", made, 2 * address, *words)


def _words(number: int, *, low_first: bool = True) -> tuple[int, int]:
    """32 bits as two words: bit words count up from the lowest, numbers stand high word first."""
    low, high = number & 0xFFFF, number >> 16 & 0xFFFF
    return (low, high) if low_first else (high, low)


def _write_alarms(made: bytearray, layout: Layout, picture: Picture) -> None:
    of_rig = [alarm for alarm in picture.alarms if alarm.brake is None]
    _write(made, places.ACTIVE, *_words(_alarm_bits(of_rig, places.ALARMS_OF_RIG, _HOLDS)))
    _write(made, places.UNSEEN, *_words(_alarm_bits(of_rig, places.ALARMS_OF_RIG, _UNSEEN)))
    for at, brake in enumerate(layout.rig.brakes):
        of_brake = [alarm for alarm in picture.alarms if alarm.brake == brake.name]
        active = _alarm_bits(of_brake, places.ALARMS_OF_BRAKE, _HOLDS)
        unseen = _alarm_bits(of_brake, places.ALARMS_OF_BRAKE, _UNSEEN)
        _write(made, brake_base(at) + places.BRAKE_ACTIVE, *_words(active), *_words(unseen))


def _alarm_bits(alarms: list[AlarmNow], kinds: tuple[str, ...], states: frozenset[str]) -> int:
    found = 0
    for alarm in alarms:
        if alarm.state in states:
            kind = alarm.alarm.partition(":")[0]
            found |= 1 << (kinds.index(kind) if kind in kinds else places.OTHER_ALARM)
    return found


def _seen(cell: Cell, system: str, sight: Sight) -> tuple[float, int, int]:
    """Value, quality and reason."""
    if sight.picture is None or not sight.watching:
        return cell.bad, _BAD, Reason.UNKNOWN if cell.fitted else NOT_FITTED
    absent = (0.0, NOT_FITTED)
    if cell.fitted and not sight.picture.readings:  # no scan yet
        value, code = 0.0, int(Reason.UNKNOWN)
    elif cell.point is not None:
        value, code = sight.picture.readings.get(cell.point, absent)
    else:
        value, code = sight.picture.derived.get((cell.brake or "", cell.quantity), absent)
    grade = int(quality(code))
    if grade == _BAD:
        return cell.bad, grade, code
    number = shown(value, cell.dimension, system)[0]
    return max(-_LARGEST, min(_LARGEST, number)), grade, code
