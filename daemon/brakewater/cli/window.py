"""Times and durations as people type them."""

import argparse
import math
import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from brakewater.record.reader import Record

_LEAST_S = 1e-3


def moment(text: str) -> int:
    """Wall time in UTC as nanoseconds since 1970; a time with another zone is taken as such.

    Raises:
        argparse.ArgumentTypeError: it is no time.
    """
    try:
        told = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"found {text!r}; allowed: a time in UTC such as 2031-02-03T04:05:06Z or 2031-02-03"
        ) from None
    told = told if told.tzinfo else told.replace(tzinfo=UTC)
    since = told - datetime(1970, 1, 1, tzinfo=UTC)
    return ((since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds) * 1_000


def utc(text: str) -> str:
    """The same as text that a command takes.

    Raises:
        argparse.ArgumentTypeError: it is no time.
    """
    from brakewater.units import utc_text  # noqa: PLC0415 - numpy only when needed

    return utc_text(moment(text))


def number(text: str) -> float:
    """A number with a decimal point.

    Raises:
        argparse.ArgumentTypeError: it is none.
    """
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a number such as 30 or 7.5")
    return found


def is_backwards(since: int | None, until: int | None) -> bool:
    """Whether a window begins after its end."""
    return since is not None and until is not None and since > until


def duration(text: str) -> int:
    """A length of time in nanoseconds, at least a millisecond.

    Raises:
        argparse.ArgumentTypeError: it is none.
    """
    from brakewater.units import Dimension, UnitError, parse  # noqa: PLC0415 - numpy only when needed

    try:
        seconds = parse(text, Dimension.TIME)
    except UnitError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if seconds < _LEAST_S:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: 1 ms or more")
    return round(seconds * 1e9)


def of_trip(record: "Record", trip: int) -> tuple[int, int]:
    """The window of a trip, wall time in ns; on standard error what else it holds where the clock was set in it.

    Raises:
        StorageError: the record holds no such trip.
    """
    from brakewater.review.trips import line_of  # noqa: PLC0415 - only when needed

    line = line_of(record, trip)
    if line.stepped_s:
        way = "on" if line.stepped_s > 0 else "back"
        print(
            f"warning: the clock was set {way} by {abs(line.stepped_s):.0f} s in trip {trip}: what was scanned around"
            " it under the same times is taken along",
            file=sys.stderr,
        )
    return line.window
