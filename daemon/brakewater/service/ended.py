"""What a changed rig file ends that somebody has begun by hand: he may still stand at the sensor and wait for it."""

from brakewater.rig import Rig
from brakewater.stream import Picture

_BY_HAND = {"function-check": "the function check", "substituted": "the substitution"}


def ended(before: Picture, after: Picture) -> list[str]:
    """In words, each with who began it.

    Args:
        before: the last picture of the run that was left.
        after: the first one of the run that follows; it need not hold a scan.
    """
    goes_on = {(one.point, one.what) for one in after.substitutions}
    found = [
        f"{_BY_HAND.get(one.what, one.what)} of {one.point} by {one.actor}"
        for one in before.substitutions
        if (one.point, one.what) not in goes_on
    ]
    now = {(one.brake, one.alarm): one for one in after.alarms}
    for was in before.alarms:
        key, one = was.key, now.get((was.brake, was.alarm))
        if was.test is not None and (one is None or one.test is None):
            found.append(f"the test of {key} by {was.test.actor}")
        masks = {mask.mask for mask in one.masks} if one is not None else set()
        found += [
            f"{key} {mask.mask} by {mask.actor or 'the rig file'}" for mask in was.masks if mask.mask not in masks
        ]
    return found


def of_upkeep(rig: Rig, *, kept: bool) -> str | None:
    """What is lost where a rig file keeps no upkeep book any more; None where nothing is.

    Args:
        rig: of the file that is to be in force.
        kept: whether there was a book until now.
    """
    if rig.upkeep is not None or not kept:
        return None
    return (
        f"{rig.file}: found no [upkeep], with which the upkeep book ends: rounds, parts, running hours and trips would"
        " begin anew when the table comes back"
    )
