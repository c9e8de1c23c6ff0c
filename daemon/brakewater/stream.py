"""The architecture on one screen: the stream of inputs, what the engine makes of it, and who may listen.

Inputs are numbered and stamped once, where the loop admits them. The engine takes them in order and returns outcomes;
it knows no clock. Live watching, restart and replay are the same call on the same inputs, so a stream may be cut into
blocks anywhere without changing an event.

    source -> loop -> journal
                   -> engine -> Outcome -> latest slot (overwritten), followers (read the committed journal)
"""

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint16]
Codes = NDArray[np.uint8]

OwnLayout = tuple[tuple[str, str], ...]
"""Name and data type of each of the daemon's own points, in the order of a scan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """Opens a run: everything known before the first scan."""

    run: int
    t_ns: int
    utc_ns: int
    boot: str
    """Identity of the machine's boot, so that steady time can go on over a restart."""
    version: str
    rig_toml: str
    snapshot: bytes = b""
    """State of the engine before this run, as canonical JSON; empty where there was none."""
    own: OwnLayout | None = None
    """The daemon's own points in the scans of this run; None: recorded before this was noted."""
    alarms: tuple[str, ...] | None = None
    """Keys of the alarms that the version watched; None: recorded before this was noted, or by no watch."""

    @property
    def input(self) -> int:
        """A Start is input 0 of its run."""
        return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One pass over all points as a source delivers it, not yet admitted to the stream."""

    words: bytes
    """Register words of all points in rig order, little-endian uint16."""
    status: bytes
    """One poll status a point."""
    age_ns: tuple[int, ...]
    """One a read group (``Rig.groups``): how long before the scan closed its oldest value was taken."""
    closed_ns: int | None = None
    """Monotonic time at which the scan closed, so that admission can add what passed since; None: nothing did."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """Any number of consecutive scans of one run, as columns. One scan is a block of length one."""

    run: int
    input: Ints
    """[n] numbers, each one more than the last."""
    t_ns: Ints
    """[n] steady time; never falls within a run."""
    utc_ns: Ints
    """[n] wall time, a label only."""
    words: Words
    """[n, W]"""
    status: Codes
    """[n, P]"""
    age_ns: Ints
    """[n, D], a column a read group"""

    def __post_init__(self) -> None:
        n = len(self.input)
        if n == 0 or any(len(column) != n for column in (self.t_ns, self.utc_ns, self.words, self.status, self.age_ns)):
            raise ValueError("a block needs at least one scan and columns of one length")

    def __len__(self) -> int:
        return len(self.input)

    def cut(self, first: int, last: int) -> "Block":
        """Scans ``first`` up to but not including ``last``, by position, as a view."""
        part = slice(first, last)
        return Block(
            run=self.run,
            input=self.input[part],
            t_ns=self.t_ns[part],
            utc_ns=self.utc_ns[part],
            words=self.words[part],
            status=self.status[part],
            age_ns=self.age_ns[part],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What someone asks for, not yet admitted to the stream."""

    id: str
    actor: str
    do: str
    args: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A request admitted to the stream."""

    run: int
    input: int
    t_ns: int
    utc_ns: int
    request: Request


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Inputs that were watched but could not be recorded: the first and last lost, by their run."""

    run: int
    input: int
    t_ns: int
    utc_ns: int
    lost_run: int
    lost_first: int
    lost_last: int
    why: str


Input = Start | Block | Command | Gap

TESTED: Final = "test"
"""``Event.why`` of all that belongs to an alarm tripped by hand: raised, acknowledged, over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One transition of one alarm, in codes and SI."""

    run: int
    input: int
    n: int
    """Counts the events of a run from 1."""
    utc_ns: int
    rig: str
    brake: str | None
    alarm: str
    was: str
    now: str
    priority: str
    value: float | None
    reason: int
    """Reason code of the value."""
    setpoint: float | None
    why: str
    actor: str | None
    first_out: bool
    active: bool = False
    """Whether the condition holds after it, also under a mask."""
    cause: str | None = None
    """Key of the standing alarm that this one follows from; None: it leads."""
    note: str | None = None
    """What a person gave as the reason, or what a setting was and became."""

    @property
    def key(self) -> str:
        """Of its alarm, such as ``aux.cooling-lost``."""
        return f"{self.brake or 'rig'}.{self.alarm}"

    @property
    def identity(self) -> str:
        """``run.input.n``, never used twice for different content."""
        return f"{self.run}.{self.input}.{self.n}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What became of a command."""

    id: str
    actor: str
    ok: bool
    says: str
    why: str = ""
    """Name of a refusal that pages have words for, ``refused-...``."""
    places: tuple[tuple[str, str], ...] = ()
    """What fills the places of those words."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Column:
    """One quantity over a block: ``[n]`` values and ``[n]`` reason codes; a bad value is 0.0 and means nothing."""

    values: Floats
    codes: Codes


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmTest:
    """An alarm that someone trips by hand to prove its lamp and horn."""

    actor: str
    reason: str
    since_utc_ns: int
    until_utc_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmNow:
    """An alarm as it stands."""

    brake: str | None
    alarm: str
    state: str
    priority: str
    since_utc_ns: int
    value: float | None
    reason: int
    setpoint: float | None
    first_out: bool
    test: AlarmTest | None = None
    """Not None: its state is a test's, and nothing is wrong on the rig for all that is known."""
    active: bool = False
    """Whether the condition holds, also under a mask."""
    cause: str | None = None
    """Key of the standing alarm that it follows from."""
    silenced: bool = False
    """Makes no sound any more, or never did."""
    chattering: bool = False
    """Comes and goes; held until it has been calm for a while."""
    masks: "tuple[MaskNow, ...]" = ()

    @property
    def key(self) -> str:
        """Such as ``aux.cooling-lost``."""
        return f"{self.brake or 'rig'}.{self.alarm}"


@dataclass(frozen=True, slots=True, kw_only=True)
class MaskNow:
    """What lies on an alarm, and who laid it there."""

    mask: str
    """``shelved``, ``suppressed`` or ``out-of-service``."""
    actor: str | None
    """None: the rig file's table."""
    reason: str
    since_utc_ns: int
    until_utc_ns: int | None
    """None: until it is taken off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHand:
    """A point that someone has taken out of measuring for a while."""

    point: str
    what: str
    """``substituted`` or ``function-check``."""
    value: float | None
    """What stands in for the sensor, in SI; None with a function check."""
    actor: str
    reason: str
    since_utc_ns: int
    until_utc_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingNow:
    """A setting that someone has changed by command."""

    alarm: str
    """Key."""
    setting: str
    text: str
    """What it is, as typed."""
    was: str
    actor: str
    reason: str
    since_utc_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundNow:
    """A round of upkeep as it stands."""

    round: str
    brake: str
    share: float
    """Of its interval that is used up: 1.0 when due."""
    by: str
    """``hours``, ``trips`` or ``days``: the interval that is nearest its end."""
    running_s: float
    """Since it was done."""
    trips: int
    due_utc_ns: int | None
    """By the calendar alone; None where it has no such interval."""
    done_utc_ns: int | None
    """None: never logged."""
    since_utc_ns: int
    """When it was done, or from when on it counts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryNow:
    """An entry of the upkeep book."""

    id: str
    """``run.input`` of the command that made it."""
    round: str
    actor: str
    utc_ns: int
    """When it was entered."""
    done_utc_ns: int
    """When the work was done."""
    remark: str = ""
    corrects: str | None = None
    corrected_by: str | None = None
    void: bool = False
    """It only strikes out what it corrects."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartNow:
    """A part as it was last changed, and where its brake's counts stood then."""

    brake: str
    part: str
    serial: str
    actor: str
    since_utc_ns: int
    running_ns: int
    trips: int
    energy_mj: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FormerNow:
    """A part that another has taken the place of, and what it did in its time."""

    brake: str
    part: str
    serial: str
    since_utc_ns: int
    until_utc_ns: int
    running_ns: int
    trips: int
    energy_mj: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedNow:
    """Who signed the book as it then stood; a replay up to there shows what was signed."""

    id: str
    """``run.input`` of the command."""
    by: str
    """The name beside which it stands."""
    actor: str
    utc_ns: int
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GapNow:
    """A brake's air gap by the newest survey, and where it goes; m."""

    brake: str
    surveys: int
    """Since its baseline."""
    mean_m: float
    least_m: float
    most_m: float
    spread_m: float
    torque_share: float
    """That the gap leaves, of the nominal one's."""
    share: float
    """Of what it may drift, used up thirty days ahead; 1.0 at the limit."""
    mean_ahead_m: tuple[float, float, float] | None
    """In thirty days by the trend, with its prediction interval: low, middle, high; None without a trend."""
    drifts: bool
    """The trend of mean, widest or narrowest differs from none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterNow:
    """A water sample, and what it means at the inlet's and the outlet's limit."""

    entry: str
    brake: str
    done_utc_ns: int
    ph: float
    tds_mg_l: float
    calcium_mg_l: float
    alkalinity_mg_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TripNow:
    """What one trip said of a brake, for the upkeep book; medians of its stands."""

    brake: str
    trip: int
    """Its number by the brake's own count."""
    stands: int
    heat_share: float | None
    """Part of the hoist's duty that reached the water; None where no stand told."""
    heat_share_std: float
    torque_index: float | None
    """1 as new; None where no stand told."""
    torque_index_std: float
    rotor_to_water: float | None = None
    """Resistance from rotor to water by that of the rig file's rotor at the same flow: scale raises it; None where no
    stand told."""
    rotor_to_water_std: float = 0.0
    """By the scatter of its stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BookNow:
    """The upkeep book as it stands."""

    rounds: tuple[RoundNow, ...] = ()
    parts: tuple[PartNow, ...] = ()
    gaps: tuple[GapNow, ...] = ()
    water: tuple[WaterNow, ...] = ()
    """The newest samples of each brake, in the order they were taken."""
    worked: tuple[tuple[str, float, int, float], ...] = ()
    """Brake, running hours in s, trips, heat in J since the book was begun."""
    entries: tuple[EntryNow, ...] = ()
    """The newest, in the order they were entered; corrected ones stay."""
    by_trip: tuple[TripNow, ...] = ()
    """The newest trips of each brake since a part was changed that they hang on."""
    former: tuple[FormerNow, ...] = ()
    """Parts that were changed, in that order."""
    signed: tuple[SignedNow, ...] = ()
    """The newest signatures."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """The newest truth: everything a lamp, a register or a page needs, overwritten by the next."""

    run: int
    input: int
    t_ns: int
    utc_ns: int
    readings: Mapping[str, tuple[float, int]]
    """Point name -> value in SI (temperatures in degC) and reason code."""
    derived: Mapping[tuple[str, str], tuple[float, int]]
    """(brake, quantity) -> value and reason code."""
    status: Mapping[str, int]
    """Device -> the worst poll status of its points."""
    alarms: tuple[AlarmNow, ...]
    events: int
    """Events of this run so far."""
    substitutions: tuple[ByHand, ...] = ()
    """Points substituted by hand or under function check, by name."""
    settings: tuple[SettingNow, ...] = ()
    """Settings changed by command, by name."""
    testing: bool = False
    """Lamp test: every lamp lit and the horn sounds."""
    flood: bool = False
    """More alarms than a person can take in; those of low priority make no sound."""
    book: BookNow | None = None
    """The upkeep book as it stood at most a minute ago; None where the rig file keeps none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What the engine made of one input or block."""

    events: tuple[Event, ...] = ()
    answers: tuple[Answer, ...] = ()
    readings: Mapping[str, Column] = field(default_factory=dict)
    """Point name -> column; empty for anything but a block."""
    derived: Mapping[tuple[str, str], Column] = field(default_factory=dict)
    """(brake, quantity) -> column; empty for anything but a block."""


class Source(Protocol):
    """Delivers samples at the rig's cadence, one each tick even if every device is silent."""

    def samples(self) -> AsyncIterator[Sample]:
        """Endless; ends only when closed."""
        ...


class Latest(Protocol):
    """Takes the newest picture; must not block and may skip any that it is too slow for."""

    def show(self, picture: Picture) -> None:
        """Overwrite what was there."""
        ...
