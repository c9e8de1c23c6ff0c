"""The status as figures for a monitoring system, in the text format that Prometheus reads (version 0.0.4).

One table says which figure comes from where. The format is from its public description, "Exposition formats".
"""

from collections.abc import Callable, Container, Iterable, Mapping
from typing import Any, Final

from brakewater.alarms.lifecycle import ACTIVE, MASKS, State, shown_of

Status = Mapping[str, Any]
Sample = tuple[Mapping[str, str], float]
"""Labels and value."""

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
_NS: Final = 1e-9


def metrics(status: Status) -> str:
    """All figures of a status document; what it does not know is left out."""
    return "".join(
        _family(f"brakewater_{name}", kind, says, list(samples(status))) for name, kind, says, samples in _TABLE
    )


def _family(name: str, kind: str, says: str, samples: list[Sample]) -> str:
    if not samples:
        return ""
    rows = [f"{name}{_labels(labels)} {float(value)!r}" for labels, value in samples]
    return "\n".join([f"# HELP {name} {says}", f"# TYPE {name} {kind}", *rows, ""])


def _labels(labels: Mapping[str, str]) -> str:
    pairs = ",".join(f'{name}="{_escaped(value)}"' for name, value in labels.items())
    return f"{{{pairs}}}" if pairs else ""


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


# ------------------------------------------------------------- where figures come from


def _at(*path: str, scale: float = 1.0) -> Callable[[Status], Iterable[Sample]]:
    """One figure of the document."""

    def found(status: Status) -> Iterable[Sample]:
        value: Any = status
        for key in path:
            value = value.get(key) if isinstance(value, Mapping) else None
        return [] if value is None else [({}, scale * value)]

    return found


def _each(table: str, label: str, key: str, scale: float = 1.0) -> Callable[[Status], Iterable[Sample]]:
    """One figure of every row of a table."""

    def found(status: Status) -> Iterable[Sample]:
        rows = status[table].items()
        return [({label: name}, scale * row[key]) for name, row in rows if row.get(key) is not None]

    return found


def _about(status: Status) -> Iterable[Sample]:
    return [({"version": status["version"], "rig": status["rig"]}, 1)]


def _answers(status: Status) -> Iterable[Sample]:
    for device, row in status["devices"].items():
        for how, count in row["answers"].items():
            yield {"device": device, "answer": how}, count


def _alarms(states: Container[State]) -> Callable[[Status], Iterable[Sample]]:
    """How many alarms of each priority are in one of some states."""

    def found(status: Status) -> Iterable[Sample]:
        listed = [one["priority"] for one in status["alarms"] if shown_of(one["state"]) in states]
        return [({"priority": priority}, listed.count(priority)) for priority in ("critical", "high", "medium", "low")]

    return found


_TABLE: Final = (
    ("about", "gauge", "Version and rig, as labels.", _about),
    ("scan_age_seconds", "gauge", "Since the last scan came in.", _at("scan_age_s")),
    (
        "starts_lately",
        "gauge",
        "Starts in ten minutes without an orderly stop; over 3 a crash loop.",
        _at("starts_lately"),
    ),
    ("lateness_seconds", "gauge", "How late the last scan began.", _at("lateness_s")),
    ("scans_skipped_total", "counter", "Scans that had no time left for them.", _at("skipped")),
    ("run", "gauge", "Number of the run.", _at("run")),
    (
        "alarms",
        "gauge",
        "Alarms whose condition holds, acknowledged or not; without those set aside.",
        _alarms(ACTIVE),
    ),
    ("alarms_set_aside", "gauge", "Alarms shelved, suppressed or out of service.", _alarms(MASKS)),
    ("device_requests_total", "counter", "Requests sent to a device.", _each("devices", "device", "requests")),
    ("device_answers_total", "counter", "What became of them.", _answers),
    (
        "device_error_share",
        "gauge",
        "Share of the last minute's answers that were no good.",
        _each("devices", "device", "errors_lately"),
    ),
    ("recording", "gauge", "1 while inputs go into the record.", _at("record", "recording")),
    ("journal_waiting", "gauge", "Inputs and events that wait for the disk.", _at("record", "queued")),
    ("journal_commit_age_seconds", "gauge", "How long the oldest of them has waited.", _at("record", "commit_age_s")),
    ("journal_commit_seconds", "gauge", "What the last commit took.", _at("record", "commit_latency_s")),
    ("journal_failures_total", "counter", "Commits that failed.", _at("record", "failures")),
    ("journal_lost_inputs_total", "counter", "Inputs that were not recorded.", _at("record", "lost")),
    ("journal_bytes", "gauge", "Size of the hot record, side files included.", _at("record", "hot_bytes")),
    ("journal_wal_bytes", "gauge", "Size of the newest segment's write-ahead log.", _at("record", "wal_bytes")),
    ("broker_connected", "gauge", "1 while the broker acknowledges.", _at("broker", "connected")),
    ("broker_sessions_lost_total", "counter", "Sessions with the broker that broke.", _at("broker", "drops")),
    ("broker_waiting_seconds", "gauge", "Age of the oldest unacknowledged message.", _at("broker", "waiting_s")),
    ("broker_events_total", "counter", "Events that the broker has acknowledged.", _at("broker", "events")),
    (
        "mirror_backlog_seconds",
        "gauge",
        "From the oldest point the server has not taken to what is recorded.",
        _each("mirrors", "mirror", "backlog_ns", _NS),
    ),
    (
        "mirror_live_seconds",
        "gauge",
        "From the newest point the server has taken to what is recorded.",
        _each("mirrors", "mirror", "live_ns", _NS),
    ),
    ("mirror_owed", "gauge", "Stretches sent beside the live one.", _each("mirrors", "mirror", "owed")),
    ("mirror_lines_total", "counter", "Lines the server took.", _each("mirrors", "mirror", "sent")),
    ("mirror_parked_total", "counter", "Lines the server refused.", _each("mirrors", "mirror", "parked")),
    (
        "mirror_too_old_total",
        "counter",
        "Lines from before what the server keeps, left out.",
        _each("mirrors", "mirror", "too_old"),
    ),
    ("mirror_returns_total", "counter", "How often it went back.", _each("mirrors", "mirror", "returns")),
)
