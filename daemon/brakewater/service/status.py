"""How the watch does, as one document."""

from dataclasses import asdict
from time import monotonic_ns
from typing import Any, Final

from brakewater import __version__
from brakewater.loop import Loop
from brakewater.notify.screen import VALID_S
from brakewater.quality import status_name
from brakewater.readiness import due, obstacles
from brakewater.record.segment import hot_bytes
from brakewater.render import alarm_now, by_hand_now, derived_now, obstacle_now, reading_line, round_now, setting_now
from brakewater.render import now as live
from brakewater.rig import Rig
from brakewater.service.generation import Generation
from brakewater.service.recording import Recording
from brakewater.stream import AlarmNow, Picture

_STALE_S: Final = 2.0
_STALE_SCANS: Final = 4
"""Scans older than both of these, and the watch stands still."""
_ADVISORY: Final = "Advisory only: the maker's manual and local rules stand above this."
_NOT_LOOKED_AT: Final = "Not looked at: {rounds}whether the friction brake can hold the load."


def _cautions(rig: Rig, picture: Picture | None) -> list[str]:
    """What stands in nobody's way and should be known."""
    rounds = "rounds of upkeep, and " if rig.upkeep is None else ""
    found = [_ADVISORY, _NOT_LOOKED_AT.format(rounds=rounds)]
    names = due(picture) if picture is not None else ()
    return [*found, f"Due, not yet overdue: {', '.join(names)}."] if names else found


def _age_s(loop: Loop) -> float | None:
    return (monotonic_ns() - loop.scanned_ns) / 1e9 if loop.scanned_ns else None


def flows(loop: Loop, rig: Rig) -> bool:
    """Whether scans come in and have gone through the engine."""
    age_s = _age_s(loop)
    stale_s = max(_STALE_S, _STALE_SCANS * rig.scan_ns / 1e9)
    return loop.picture is not None and age_s is not None and age_s <= stale_s


def status(loop: Loop, now: Generation, recording: Recording) -> dict[str, Any]:
    """What ``brakewater status --json`` prints.

    Args:
        loop: holds the newest picture.
        now: the parts in force.
        recording: how the record does.
    """
    picture, figures = loop.picture, recording.journal.figures()
    return {
        "version": __version__,
        "rig": now.rig.name,
        "scan_s": now.rig.scan_ns / 1e9,
        "run": picture.run if picture else None,
        "input": picture.input if picture else None,
        "scan_age_s": _age_s(loop),
        "starts_lately": recording.starts.lately if recording.starts else 1,
        "lateness_s": now.source.lateness_ns / 1e9,
        "skipped": now.source.skipped,
        "devices": _devices(loop, now),
        "links": {"broker": now.publisher.figures().connected if now.publisher else None},
        "broker": asdict(now.publisher.figures()) if now.publisher else None,
        "mirrors": {name: mirror.figures() for name, mirror in now.mirrors.items()},
        **now.plcs.figures(),
        "record": {
            "recording": not figures.losing,
            "commit_age_s": figures.commit_age_ns / 1e9,
            "commit_latency_s": figures.commit_latency_ns / 1e9,
            "queued": figures.queued,
            "lost": figures.lost,
            "failures": figures.failures,
            "trouble": figures.trouble or None,
            "hot_bytes": hot_bytes(recording.folder),
            "wal_bytes": figures.wal_bytes,
        },
        "values": _values(now.rig, picture) if picture else {},
        "settings": [setting_now(one) for one in picture.settings] if picture else [],
        "by_hand": [by_hand_now(now.rig, one) for one in picture.substitutions] if picture else [],
        "alarms": [alarm_now(now.rig, one) for one in picture.alarms if _stands(one)] if picture else [],
        "rounds": [round_now(one) for one in picture.book.rounds] if picture and picture.book else [],
    }


def _values(rig: Rig, picture: Picture) -> dict[str, Any]:
    """Brake -> ``readings`` and ``derived`` of the last scan as over MQTT, each with a ``text`` for people.

    Readings of the whole rig stand beside those of every brake.
    """
    points, found = {point.name: point for point in rig.points}, {}
    for brake in rig.brakes:
        seen = live(rig, picture, brake.name, VALID_S)
        readings = {
            name: {**one, "text": reading_line(rig, points[name], picture.readings[name])}
            for name, one in seen["readings"].items()
        }
        derived = {
            name: {**one, "text": derived_now(rig, picture, brake.name, name)} for name, one in seen["derived"].items()
        }
        found[brake.name] = {"readings": readings, "derived": derived}
    return found


def _stands(alarm: AlarmNow) -> bool:
    return alarm.state != "normal" or alarm.test is not None


def _devices(loop: Loop, now: Generation) -> dict[str, Any]:
    is_read = {point.device for point in now.rig.points}
    known = {name: code for name, code in (loop.picture.status if loop.picture else {}).items() if name in is_read}
    lately = now.lately.shares()
    return {
        name: {
            "status": status_name(known[name]) if name in known else "unknown" if name in is_read else "not-read",
            "trouble": asked.trouble,
            "requests": asked.requests,
            "errors_lately": lately[name],
            "answers": {status_name(code): count for code, count in sorted(asked.by_status.items())},
        }
        for name, asked in now.source.asked.items()
    }


def ready(loop: Loop, rig: Rig, asked: dict[str, Any]) -> dict[str, Any]:
    """What ``brakewater ready --json`` prints.

    Args:
        loop: holds the newest picture.
        rig: the one in force.
        asked: ``unproved``: points whose loop nobody has proved.
    """
    names = asked.get("unproved")
    unproved = [name for name in names if isinstance(name, str)] if isinstance(names, list) else []
    if loop.picture is None or not flows(loop, rig):
        stands = {"what": "watch", "name": rig.name, "why": "no scans", "text": "the watch brings no scans"}
        return {"ready": False, "obstacles": [stands], "cautions": _cautions(rig, None)}
    found = [obstacle_now(rig, one) for one in obstacles(rig, loop.picture, unproved)]
    return {"ready": not found, "obstacles": found, "cautions": _cautions(rig, loop.picture)}
