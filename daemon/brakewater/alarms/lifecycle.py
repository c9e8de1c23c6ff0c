"""The life cycle of an alarm as one table with one interpreter.

Theory of operation. An alarm has a core of six states (ANSI/ISA-18.2-2016 and IEC 62682, states A to F; letters from
memory), and up to three masks lie on it: shelved by a person for a while (G), suppressed by design while the rig is in
a state that the rig file names (H), out of service (I). Triggers move it: its condition comes (``raise``) or goes
(``clear``), a person acknowledges or resets, a re-alarm timer runs out, a mask is laid on or taken off.

1. Acknowledging never clears an alarm whose condition still holds; it only says that someone has seen it.
2. A trigger that a state has no row for changes nothing; from a person it is refused with the reason.
3. Under a mask the core only follows the condition, as normal or unacknowledged, so that when the last mask goes an
   alarm whose condition holds is unacknowledged, whatever had been acknowledged before.

A latching alarm waits for a reset after its condition has gone.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class State(StrEnum):
    """The six-state core, and the three masks as what an alarm shows while one lies on it."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"


MASKS: Final = (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)
"""From the least to the weightiest: what an alarm with several shows is the last of them."""


class Trigger(StrEnum):
    """What moves an alarm."""

    RAISE = "raise"
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    RE_ALARM = "re-alarm"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    OUT_OF_SERVICE = "out-of-service"
    RETURN_TO_SERVICE = "return-to-service"


Core = dict[tuple[State, Trigger], State]

PLAIN: Core = {
    (State.NORMAL, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.CLEAR): State.RETURNED_UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.CLEAR): State.NORMAL,
    (State.ACKNOWLEDGED, Trigger.RE_ALARM): State.UNACKNOWLEDGED,
    (State.RETURNED_UNACKNOWLEDGED, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.RETURNED_UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.NORMAL,
}

LATCHING: Core = {
    (State.NORMAL, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.CLEAR): State.LATCHED_UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.CLEAR): State.LATCHED_ACKNOWLEDGED,
    (State.ACKNOWLEDGED, Trigger.RE_ALARM): State.UNACKNOWLEDGED,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.LATCHED_UNACKNOWLEDGED, Trigger.ACKNOWLEDGE): State.LATCHED_ACKNOWLEDGED,
    (State.LATCHED_ACKNOWLEDGED, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.LATCHED_ACKNOWLEDGED, Trigger.RESET): State.NORMAL,
}

MASKED: Core = {
    (State.NORMAL, Trigger.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Trigger.CLEAR): State.NORMAL,
}
"""Under any mask, latching or not."""

UNDER_MASK: dict[State, State] = {
    State.NORMAL: State.NORMAL,
    State.UNACKNOWLEDGED: State.UNACKNOWLEDGED,
    State.ACKNOWLEDGED: State.UNACKNOWLEDGED,
    State.RETURNED_UNACKNOWLEDGED: State.NORMAL,
    State.LATCHED_UNACKNOWLEDGED: State.NORMAL,
    State.LATCHED_ACKNOWLEDGED: State.NORMAL,
}
"""What the core becomes when the first mask is laid on; the last one taken off leaves it as it is."""

LAID_ON: dict[Trigger, State] = {
    Trigger.SHELVE: State.SHELVED,
    Trigger.SUPPRESS: State.SUPPRESSED,
    Trigger.OUT_OF_SERVICE: State.OUT_OF_SERVICE,
}
TAKEN_OFF: dict[Trigger, State] = {
    Trigger.UNSHELVE: State.SHELVED,
    Trigger.UNSUPPRESS: State.SUPPRESSED,
    Trigger.RETURN_TO_SERVICE: State.OUT_OF_SERVICE,
}

UNSEEN: Final = frozenset({State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED})
"""States that wait for an acknowledgement."""
ACTIVE: Final = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
"""Core states in which the condition holds."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an alarm is: its core, and the masks on it in the order of ``MASKS``."""

    core: State = State.NORMAL
    masks: tuple[State, ...] = ()

    @property
    def shown(self) -> State:
        """What it shows: its weightiest mask, or its core."""
        return self.masks[-1] if self.masks else self.core

    @property
    def active(self) -> bool:
        """Whether its condition holds, shown or not."""
        return self.core in ACTIVE

    @property
    def text(self) -> str:
        """As events carry it: the core, or the masks joined: ``shelved+out-of-service``."""
        return "+".join(self.masks) if self.masks else self.core.value


def shown_of(text: str) -> State:
    """What a recorded state text shows.

    Raises:
        ValueError: it is no state's.
    """
    return State(text.rpartition("+")[2])


def masks_of(text: str) -> tuple[State, ...]:
    """The masks of a recorded state text.

    Raises:
        ValueError: it is no state's.
    """
    return tuple(state for part in text.split("+") if (state := State(part)) in MASKS)


TEXTS: Final = (
    *(state.value for state in State if state not in MASKS),
    *("+".join(mask for at, mask in enumerate(MASKS) if bits >> at & 1) for bits in range(1, 2 ** len(MASKS))),
)
"""Every text that ``Standing.text`` can be."""


def step(standing: Standing, trigger: Trigger, *, latching: bool) -> Standing | None:
    """Where a trigger leads, or None where the table has no row for it.

    Args:
        standing: where the alarm is.
        trigger: what happened.
        latching: whether the alarm waits for a reset.
    """
    core, masks = standing.core, standing.masks
    if trigger in LAID_ON:
        mask = LAID_ON[trigger]
        if mask in masks:
            return None
        return Standing(core if masks else UNDER_MASK[core], tuple(one for one in MASKS if one in (*masks, mask)))
    if trigger in TAKEN_OFF:
        mask = TAKEN_OFF[trigger]
        return Standing(core, tuple(one for one in masks if one is not mask)) if mask in masks else None
    table = MASKED if masks else LATCHING if latching else PLAIN
    new = table.get((core, trigger))
    return None if new is None else Standing(new, masks)


def diagram() -> str:
    """All tables as a Mermaid state diagram; ``deploy/alarm-states.md`` holds this text, kept equal by a test."""
    lines = ["stateDiagram-v2", f"    [*] --> {State.NORMAL.name}"]
    for name, table in (("", PLAIN), (" (latching)", LATCHING)):
        lines += [
            f"    {state.name} --> {new.name}: {trigger.value}{name}"
            for (state, trigger), new in table.items()
            if not name or PLAIN.get((state, trigger)) != new
        ]
    lines += ["    state MASKED {"]
    lines += [f"        {mask.name}" for mask in MASKS]
    lines += ["    }"]
    for state, under in UNDER_MASK.items():
        holds = "condition holds" if under in ACTIVE else "condition gone"
        lines += [f"    {state.name} --> MASKED: {' / '.join(trigger.value for trigger in LAID_ON)} ({holds})"]
    off = " / ".join(trigger.value for trigger in TAKEN_OFF)
    for core in sorted(set(UNDER_MASK.values())):
        holds = "condition holds" if core in ACTIVE else "condition gone"
        lines += [f"    MASKED --> {core.name}: {off}, the last ({holds})"]
    return "\n".join(lines) + "\n"
