"""Times as people on a rig read them: by its own clock, year first, which nobody misreads."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo


def minute(utc_ns: int, zone: str) -> str:
    """``2031-02-03 04:00`` in a zone of the tz database."""
    return f"{datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}"


def minute_of(utc: str, zone: str) -> str:
    """The same of a text that ``units.utc_text`` gave."""
    return f"{datetime.fromisoformat(utc).astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}"


def day_of(utc: str, zone: str) -> str:
    """Its day: ``2031-02-03``."""
    return minute_of(utc, zone)[:10]


def second(utc_ns: int, zone: str) -> str:
    """``2031-02-03 04:00:05``."""
    return f"{datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M:%S}"


def exact_of(utc: str, zone: str) -> str:
    """A text that ``units.utc_text`` gave, to the last digit: ``2031-02-03 04:00:05.218``."""
    whole, dot, rest = utc.removesuffix("Z").partition(".")
    return f"{datetime.fromisoformat(f'{whole}Z').astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M:%S}{dot}{rest}"
