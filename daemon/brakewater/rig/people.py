"""Who may do what: ``[people]`` gives actors their roles, ``[roles]`` what each role may do.

The defaults are common practice, no published source; a rig file that names a role replaces its row. Whoever is in no
``[people]`` but has reached the door (a user of the box with access to ``control.sock``) is ``unnamed``; over MQTT an
unnamed actor is refused where there are any people. Push-buttons have a row of their own.
"""

from collections.abc import Mapping
from typing import Any, Final

from brakewater.rig.faults import Faults
from brakewater.rig.model import Rig

_ALARMS: Final = ("acknowledge", "silence", "reset", "test")
_SHELF: Final = ("shelve", "unshelve")
_SERVICE: Final = ("out-of-service", "return-to-service")
_POINTS: Final = ("substitute", "restore", "check-begin", "check-end", "loop-sheet")
_TESTS: Final = ("test-alarm", "test-end")
_SETTINGS: Final = ("set", "unset")
_HOLDS: Final = ("hold", "release-hold")
_BOOK: Final = ("log-round", "change-part", "sign-book")
_TOUR: Final = ("hand-over",)
VERBS: Final = (*_ALARMS, *_SHELF, *_SERVICE, *_SETTINGS, "note", *_HOLDS, *_TOUR, *_TESTS, *_POINTS, *_BOOK)
"""Every command there is."""

BUTTON: Final = "button"
UNNAMED: Final = "unnamed"
MAY: Final[dict[str, tuple[str, ...]]] = {
    "driller": (*_ALARMS, "note", *_TOUR, *_SHELF, *_TESTS),
    "tool-pusher": (*_ALARMS, "note", "hold", *_TOUR, *_SHELF, *_TESTS, *_BOOK),
    "mechanic": (*_ALARMS, "note", *_BOOK),
    "tech": (*_ALARMS, "note", *_SHELF, *_SERVICE, *_TESTS, *_POINTS, *_BOOK),
    "engineer": VERBS,
    BUTTON: _ALARMS,
    UNNAMED: tuple(verb for verb in VERBS if verb not in _SETTINGS),
}
CREW: Final = tuple(role for role in MAY if role not in (BUTTON, UNNAMED))
_BUTTONS: Final = "push-button:"


def roles(raw: Mapping[str, Any], faults: Faults) -> dict[str, frozenset[str]]:
    """Role -> what it may do."""
    found = {role: frozenset(verbs) for role, verbs in MAY.items()}
    for role, verbs in raw.items():
        if role not in MAY:
            faults.add_choice(("roles", role), role, MAY)
        elif not isinstance(verbs, list) or not all(isinstance(verb, str) for verb in verbs):
            faults.add(("roles", role), repr(verbs), f"a list of: {', '.join(VERBS)}")
        else:
            for verb in verbs:
                if verb not in VERBS:
                    faults.add_choice(("roles", role), verb, VERBS)
            found[role] = frozenset(verbs)
    return found


def role_of(actor: str, people: Mapping[str, str], button: str | None) -> str:
    """The role of an actor.

    Args:
        actor: who asks.
        people: actor -> role.
        button: the actor of the outstation's coils; None where there is no outstation.
    """
    if actor in people:
        return people[actor]
    return BUTTON if actor.startswith(_BUTTONS) or actor == button else UNNAMED


def standing(rig: Rig, actor: str) -> tuple[str, frozenset[str]]:
    """The role of an actor on a rig, and the commands it may give."""
    role = role_of(actor, rig.people, rig.registers.actor if rig.registers else None)
    return role, rig.roles.get(role, frozenset())
