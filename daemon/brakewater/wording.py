"""The words people read, as one table a language; nothing here computes anything.

Placeholders: ``{what}`` the alarm's name with its subject and brake, ``{numbers}`` what was measured and set (or
nothing), ``{actor}`` who did it. A translation is another ``Wording`` with the same keys; a test holds it to that.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from brakewater.alarms.lifecycle import State


@dataclass(frozen=True, slots=True, kw_only=True)
class Wording:
    """One language."""

    alarms: Mapping[str, str]
    """Kind of alarm -> its name; ``{subject}`` stands for the point or device."""
    on_brake: str
    """An alarm's name where the rig has several brakes: ``{what}``, ``{brake}``."""
    measured: str
    """``{value}`` with its unit."""
    measured_and_set: str
    """``{value}`` and ``{setpoint}`` with their units."""
    unknown: str
    """In place of a value: ``{reason}``."""
    because: str
    """For alarms without a value: ``{reason}``."""
    moves: Mapping[State, str]
    """A transition into a state, by itself."""
    moves_by_actor: Mapping[State, str]
    """A transition into a state by a person."""
    lifted: Mapping[State, str]
    """What is said of a mask that was taken off while something else is left to be shown."""
    reasons: Mapping[str, str]
    """By an event's ``why``, where that says more than the state it led to."""
    noted: str
    """Behind a sentence: ``{note}``, a person's reason or what a setting was and became."""
    follows: str
    """Behind a sentence: ``{cause}``, the standing alarm that this one follows from."""
    stands: Mapping[State, str]
    """An alarm as it stands."""
    tested: Mapping[State, str]
    """A transition that belongs to a test by hand."""
    stands_tested: str
    """An alarm under test as it stands: ``{actor}`` who tests, ``{until}``, ``{text}`` what a real one would say."""
    respond_tested: str
    """In place of the response."""
    on: str
    off: str
    no_value: str
    """In place of a value that means nothing."""


_GONE: Final = "Over, not yet acknowledged: {what}{numbers}."
_LATCHED: Final = "Over, waits for a reset: {what}{numbers}."
_TESTED: Final = "TEST, not real: {what}{numbers}."

ENGLISH: Final = Wording(
    alarms={
        "cooling-lost": "Cooling water lost",
        "cooling-flow-low": "Cooling water low",
        "inlet-temperature-high": "Inlet water too warm",
        "outlet-temperature-high": "Outlet water too hot",
        "brake-level-rising": "Water rising in the brake",
        "brake-level-high": "Water high in the brake",
        "return-restricted": "Return restricted: less water comes back than goes in, and the level rises",
        "water-lost": "Water lost on its way: less comes back than goes in",
        "cooling-flow-high": "Cooling water too much",
        "outlet-rise-high": "Water warms up too much in the brake",
        "cooling-margin-low": "Cooling margin low",
        "supply-pressure-low": "Supply pressure low",
        "strainer-fouling": "Strainer fouling",
        "inlet-limit-ahead": "Inlet water will be too warm",
        "heat-share-low": "The brake takes little of the load",
        "brake-weakening": "The brake weakens",
        "excitation-low": "Excitation low",
        "rotor-hot-no-flow": "Hot rotor without water",
        "pump-stopped": "Cooling water pump stopped",
        "tank-level-low": "Tank low",
        "frost-ahead": "Frost ahead",
        "record-stalled": "The record stalls",
        "mirror-behind": "Mirror {subject} behind",
        "signal-bad": "Signal {subject} bad",
        "signal-doubtful": "Signal {subject} doubtful",
        "device-silent": "No answer from device {subject}",
        "device-stuck": "Device {subject} answers but its program stands still",
        "broker-lost": "No connection to the message broker",
        "lamp-write-failed": "Lamps not written",
        "clock-stepped": "Wall clock stepped",
        "limits-above-maker": "An alarm is set beyond the maker's limit",
        "disk-low": "Disk of the record nearly full",
        "round-due": "Round {subject} is due",
        "air-gap-drifting": "Air gap of {subject} drifts towards its limit",
    },
    on_brake="{what} ({brake})",
    measured=": {value}",
    measured_and_set=": {value}, set at {setpoint}",
    unknown="unknown ({reason})",
    because=": {reason}",
    moves={
        State.NORMAL: "Over: {what}{numbers}.",
        State.UNACKNOWLEDGED: "{what}{numbers}.",
        State.ACKNOWLEDGED: "{what}, acknowledged{numbers}.",
        State.RETURNED_UNACKNOWLEDGED: _GONE,
        State.LATCHED_UNACKNOWLEDGED: _GONE,
        State.LATCHED_ACKNOWLEDGED: _LATCHED,
        State.SHELVED: "Shelved: {what}{numbers}.",
        State.SUPPRESSED: "Suppressed by design: {what}{numbers}.",
        State.OUT_OF_SERVICE: "Out of service: {what}{numbers}.",
    },
    moves_by_actor={
        State.NORMAL: "Over, closed by {actor}: {what}{numbers}.",
        State.UNACKNOWLEDGED: "{what}, brought back by {actor}{numbers}.",
        State.ACKNOWLEDGED: "{what}, acknowledged by {actor}{numbers}.",
        State.RETURNED_UNACKNOWLEDGED: _GONE,
        State.LATCHED_UNACKNOWLEDGED: _GONE,
        State.LATCHED_ACKNOWLEDGED: "Over, acknowledged by {actor}, waits for a reset: {what}{numbers}.",
        State.SHELVED: "{what}, shelved by {actor}.",
        State.SUPPRESSED: "Suppressed by design: {what}.",
        State.OUT_OF_SERVICE: "{what}, taken out of service by {actor}.",
    },
    lifted={
        State.SHELVED: "{what}: no longer shelved. {then}",
        State.SUPPRESSED: "{what}: no longer suppressed by design. {then}",
        State.OUT_OF_SERVICE: "{what}: no longer out of service. {then}",
    },
    reasons={
        "changed": "{what} was closed because the rig file changed it.",
        "silence": "{what}: horn silenced by {actor}; not acknowledged by it.",
        "re-alarm": "Still standing: {what}{numbers}.",
        "time-limit": "The time has run out, watched again: {what}.",
        "in-service": "Watched again, since the brake is in service: {what}.",
        "set": "{what}: setting changed by {actor}.",
        "unset": "{what}: setting given back to the rig file.",
    },
    noted=" ({note})",
    follows=" Follows from: {cause}.",
    stands={
        State.NORMAL: "{what}: no alarm.",
        State.UNACKNOWLEDGED: "{what}{numbers}.",
        State.ACKNOWLEDGED: "{what}, acknowledged{numbers}.",
        State.RETURNED_UNACKNOWLEDGED: _GONE,
        State.LATCHED_UNACKNOWLEDGED: _GONE,
        State.LATCHED_ACKNOWLEDGED: _LATCHED,
        State.SHELVED: "{what}, shelved.",
        State.SUPPRESSED: "{what}, suppressed by design.",
        State.OUT_OF_SERVICE: "{what}, out of service.",
    },
    tested={
        **dict.fromkeys(State, _TESTED),
        State.NORMAL: "TEST over: {what}{numbers}.",
        State.UNACKNOWLEDGED: "TEST by {actor}, not real: {what}{numbers}.",
        State.ACKNOWLEDGED: "TEST, not real: {what}, acknowledged by {actor}{numbers}.",
    },
    stands_tested="TEST by {actor} until {until}, not real: {text}",
    respond_tested="Only a test of lamp and horn; respond to every alarm that is not marked as one.",
    on="on",
    off="off",
    no_value="--",
)

LANGUAGES: Final[Mapping[str, Wording]] = {"en": ENGLISH}
"""By their ISO 639-1 code; the first one is what a reader gets who names none of them."""
