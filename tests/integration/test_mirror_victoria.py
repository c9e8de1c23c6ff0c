"""The mirror against Debian's victoria-metrics: what comes back is what was recorded, whatever the server went through.

That server keeps milliseconds and, by its own account, floats to about 2e-11; it is started so that it drops repeats.
"""

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from brakewater.record.journal import Journal
from brakewater.record.mirror import MirrorWorker, Pace
from brokers import until
from mirror_parts import SECOND, Points, Victoria, differences, due, in_ms, incident, mirror, pieces, write

pytestmark = pytest.mark.integration
QUICK = Pace(first_s=0.05, most_s=0.2, slow_s=0.2, idle_s=0.05)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Victoria]:
    made = Victoria(tmp_path)
    yield made
    made.kill()


def recently() -> int:
    """A day ago at an odd nanosecond: the server refuses what is old or to come."""
    return (time.time_ns() // SECOND - 86_400) * SECOND + 123_456_789


def arrived(server: Victoria, expected: Points) -> None:
    """Wait until all has arrived; the server shows fresh points after about two seconds."""
    wanted = in_ms(expected)
    assert len(wanted) == len(expected)
    until(
        lambda: len(server.points()) >= len(wanted) and not differences(server.points(), wanted), "points", within_s=40
    )
    assert differences(server.points(), wanted) == []


def test_every_point_arrives_with_its_value_and_time(tmp_path: Path, server: Victoria) -> None:
    inputs = incident(600, utc0=recently())
    server.start()
    write(tmp_path, inputs)
    with MirrorWorker("base", mirror(server.url, SECOND), tmp_path, "secret", pace=QUICK) as worker:
        until(lambda: worker.figures()["sent"] > 0 and worker.backlog_ns == 0, "all sent")
        arrived(server, due(inputs, SECOND))
        assert worker.figures()["last_error"] is None


def test_a_server_that_comes_late_gets_everything(tmp_path: Path, server: Victoria) -> None:
    inputs = incident(600, utc0=recently())
    write(tmp_path, inputs)
    with MirrorWorker("base", mirror(server.url, SECOND), tmp_path, pace=QUICK) as worker:
        until(lambda: worker.backlog_ns > 120 * SECOND and worker.figures()["last_error"] is not None, "trouble told")
        server.start()
        arrived(server, due(inputs, SECOND))


def test_a_server_killed_while_receiving_loses_nothing(tmp_path: Path, server: Victoria) -> None:
    """It has answered 204 to lines it had only in memory; the margin is sent again after each restart."""
    inputs = incident(3000, utc0=recently())
    server.start()
    halt = threading.Event()

    def record() -> None:
        with Journal(tmp_path, bound=1_000_000, on_commit=worker.committed) as journal:
            for put in pieces(inputs, 25):
                put(journal)
                halt.wait(0.15)

    with MirrorWorker("base", mirror(server.url), tmp_path, pace=QUICK) as worker:
        writer = threading.Thread(target=record)
        writer.start()
        for _ in range(3):
            sent = worker.figures()["sent"]
            until(lambda sent=sent: worker.figures()["sent"] > sent + 400, "lines under way")
            server.kill()
            halt.wait(0.1)
            server.start()
        halt.set()
        writer.join()
        arrived(server, due(inputs, 0))
        assert worker.figures()["returns"] >= 1
