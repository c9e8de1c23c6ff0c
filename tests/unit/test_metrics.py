"""Figures for monitoring, read back by Prometheus' own parser (package prometheus-client)."""

from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from brakewater.service.lately import Lately
from brakewater.service.metrics import metrics
from rig_parts import demo_rig, picture

STATUS: dict[str, Any] = {
    "version": "0",
    "rig": 'ri"g\\9\n',
    "run": 3,
    "scan_age_s": 0.12,
    "lateness_s": 0.0,
    "skipped": 2,
    "devices": {
        "plc1": {"requests": 10, "errors_lately": 0.25, "answers": {"ok": 8, "no answer": 2}},
        "rio1": {"requests": 0, "errors_lately": None, "answers": {}},
    },
    "broker": None,
    "mirrors": {
        "office": {
            "backlog_ns": 5_000_000_000, "live_ns": 1, "owed": 1, "sent": 7, "parked": 1, "too_old": 4, "returns": 0,
        }
    },
    "record": {
        "recording": True, "commit_age_s": 0.4, "commit_latency_s": 0.003, "queued": 3, "failures": 0, "lost": 11,
        "hot_bytes": 4096, "wal_bytes": 512,
    },
    "alarms": [
        {"priority": "high", "state": "unacknowledged"}, {"priority": "high", "state": "acknowledged"},
        {"priority": "low", "state": "acknowledged"}, {"priority": "critical", "state": "returned-unacknowledged"},
        {"priority": "high", "state": "shelved+suppressed"}, {"priority": "critical", "state": "out-of-service"},
    ],
}  # fmt: skip


def read(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    found = {}
    for family in text_string_to_metric_families(text):
        assert family.documentation
        for sample in family.samples:
            found[sample.name, tuple(sorted(sample.labels.items()))] = sample.value
    return found


def test_every_figure_comes_through_the_parser() -> None:
    found = read(metrics(STATUS))
    assert found["brakewater_about", (("rig", 'ri"g\\9\n'), ("version", "0"))] == 1
    assert found["brakewater_scan_age_seconds", ()] == 0.12
    assert found["brakewater_device_answers_total", (("answer", "no answer"), ("device", "plc1"))] == 2
    assert found["brakewater_device_error_share", (("device", "plc1"),)] == 0.25
    assert ("brakewater_device_error_share", (("device", "rio1"),)) not in found
    assert found["brakewater_mirror_backlog_seconds", (("mirror", "office"),)] == pytest.approx(5.0)
    assert found["brakewater_mirror_too_old_total", (("mirror", "office"),)] == 4
    assert found["brakewater_recording", ()] == 1
    assert found["brakewater_journal_lost_inputs_total", ()] == 11
    assert found["brakewater_alarms", (("priority", "high"),)] == 2
    assert found["brakewater_alarms", (("priority", "critical"),)] == 0
    assert [found["brakewater_alarms_set_aside", (("priority", one),)] for one in ("critical", "high", "low")] == [
        1,
        1,
        0,
    ]
    assert not any("broker" in name for name, _ in found)


def test_what_is_not_known_is_left_out() -> None:
    found = read(metrics({**STATUS, "scan_age_s": None, "run": None, "devices": {}, "mirrors": {}}))
    assert ("brakewater_scan_age_seconds", ()) not in found
    assert not any("mirror" in name or "device" in name for name, _ in found)


def test_the_error_share_is_that_of_the_last_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    now, counts = 0.0, (0, 0)
    monkeypatch.setattr("brakewater.service.lately.monotonic", lambda: now)
    lately, shown = Lately(lambda: {"plc1": counts}), picture(demo_rig())
    assert lately.shares() == {"plc1": None}
    for second in range(300):
        now, counts = float(second), (5 * second, 2 * min(second, 100))
        lately.show(shown)
        if second == 100:
            assert lately.shares() == {"plc1": pytest.approx(0.4)}
        if second == 130:
            assert lately.shares() == {"plc1": pytest.approx(0.2, abs=0.05)}
    assert lately.shares() == {"plc1": 0.0}
