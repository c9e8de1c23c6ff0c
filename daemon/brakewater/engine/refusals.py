"""What a crew's pages are refused with, each by a name: a page says it in its reader's language, all else in English.

The same sentences stand in ``words/en/pages.json`` as ``refused-<name>``, where other languages have theirs.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from brakewater.rig.bounds import ALLOWED, bound_text

REFUSALS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "carried-before": "this command was carried out before",
        "starting": "the watch is starting; ask again",
        "may-not-do": "{who} is {role} and may not {do}; may: {may}",
        "name-none": '"{key}": allowed: the name of a person, 1 to {most} characters',
        "time-none": '{key} {said}; allowed: UTC such as "2031-02-03T06:00:00Z"',
        "remark-long": '"remark": allowed: text of at most {most} characters',
        "tour-begin": '"from" {said}; allowed: when this tour began, at most 48 h ago',
        "keeps-no-book": "this rig file keeps no upkeep book; a table [upkeep] begins one",
        "round-which": '"round" {said}; allowed: {allowed}',
        "brake-which": '"brake" {said}; allowed: {allowed}',
        "part-which": '"part" {said}; allowed: {allowed}',
        "serial-none": '"serial": the number on the part, 1 to 48 plain characters',
        "carried-most": "{keys}: allowed: at most {most} of each",
        "void-what": '"void" strikes out an entry: say which with "corrects"',
        "corrects-which": '"corrects" {said}; allowed: {allowed}',
        "values-none": '"values": allowed: an object, key to value',
        "value-which": "{round} takes no value {said}; nearest: {nearest}",
        "reading-none": '{round} needs a reading at least, for example "{key}": "0.0045 in"',
        "number-none": "{key} {said}; allowed: a number, zero or more, without a unit",
        "quantity-none": "{key} {said}; allowed: a number and a unit in quotes, one of: {units}",
        "unit-none": "{key} {said} without a unit; allowed: a number and a unit in quotes, one of: {units}",
        "length-range": "{key} {said}; allowed: from 0 to {most_mm} mm ({most_in} in)",
        "sample-lacks": "a water sample needs {keys} (conductivity-us-cm may stand for tds-mg-l)",
        "sample-zero": "{key} {said}; allowed: above 0",
        "ph-range": "ph {said}; allowed: above 0, up to 14",
        "water-range": "temperature {said}; allowed: liquid water, 0 to 100 degC (32 to 212 degF)",
        "done-ahead": "at {said}: lies ahead; an entry says what was done",
        "done-long-ago": "at {said}: at most {days} days back",
        "no-record": "nothing is recorded yet",
        "no-window": "allowed: a window that ends after it begins, of {hours} h at most",
        "no-trip": "no trip begins there; choose one of the list",
        "nothing-there": "{says}",
        "record-unread": "the record cannot be read: {says}",
        "misread": "not understood: {says}",
        "if-form": "found {said}; allowed: {form}, for example {example}",
        "if-alarm": "found alarm {said}; allowed: {allowed}",
        "if-setting": "found setting {said} of {alarm}; allowed: {allowed}",
        "if-point": "found point {said}; allowed: {allowed}",
        "if-lacks": "{key}: {alarm} has no {setting}",
        "if-negative": "{key}: found {said}; allowed: zero or more",
        "if-long": "{key}: found {said}; allowed: at most {hours} h; an alarm that waits longer is hidden",
        "if-quantity": "{key}: found {said}; allowed: a number and a unit, one of: {units}",
        "if-range": "{key}: found {said}; allowed: two different ends",
        **{f"if-{why}": f"check would refuse {{alarm}}: {bound_text(why)}" for why in ALLOWED},
        "if-overruled": "{setting} was set to {value} by command at {when}: from there on that counts, not this",
        "logged-just-now": "{round} is logged already, done {time}, by {who}. Once more? Then tap again.",
        "photo-none": '"photo": allowed: {{"name": file name, "sha256": its 64 hexadecimal digits}}',
    }
)


class RefusedError(ValueError):
    """Why a command is not carried out."""

    def __init__(self, says: str, *, why: str = "", places: tuple[tuple[str, str], ...] = ()) -> None:
        """Say it.

        Args:
            says: in English.
            why: name of the refusal, where pages have words for it (``refused-...``).
            places: what fills the places of those words.
        """
        self.why, self.places = why, places
        super().__init__(says)


def refused(why: str, /, **places: object) -> RefusedError:
    """A refusal by its name, with its places filled."""
    filled = {name: str(value) for name, value in places.items()}
    return RefusedError(REFUSALS[why].format(**filled), why=why, places=tuple(filled.items()))
