"""The mirror against a server that answers as told. Real InfluxDB 2 is not to be had here: its answers are taken from
the public description of its write API, and its client library is the real one."""

import json
import ssl
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from brakewater.record.cursors import Cursors
from brakewater.record.journal import Journal
from brakewater.record.mirror import MirrorWorker, Pace
from brakewater.rig import Mirror
from brakewater.stream import Block, Input, Start
from brokers import HOST, free_port, until
from faults.certificates import Authority
from mirror_parts import RIG, SECOND, Answers, Scripted, due, incident, mirror, parsed, pieces, write
from streams import UTC, scans

pytestmark = pytest.mark.integration
QUICK = Pace(first_s=0.02, most_s=0.1, slow_s=0.1, idle_s=0.05, answer_s=0.4)


@pytest.fixture
def server() -> Iterator[Scripted]:
    with Scripted().up() as made:
        yield made


def opened(folder: Path, server: Scripted, *, every_ns: int = SECOND, margin_ns: int = 15 * SECOND) -> MirrorWorker:
    made = mirror(server.url, every_ns)
    return MirrorWorker("base", made, folder, "a-secret", pace=QUICK, margin_ns=margin_ns)


def level(worker: MirrorWorker) -> bool:
    return worker.figures()["sent"] > 0 and worker.backlog_ns == 0 and worker.figures()["last_error"] is None


def test_requests_are_as_the_interface_wants_them(tmp_path: Path, server: Scripted) -> None:
    inputs = incident(600, utc0=UTC)
    write(tmp_path, inputs)
    with opened(tmp_path, server) as worker:
        until(lambda: level(worker), "level")
    assert parsed(server.lines) == due(inputs, SECOND)
    path, headers, lines = server.requests[0]
    assert path == "/api/v2/write?org=rig&bucket=brakewater&precision=ns"
    assert (headers["Authorization"], headers["Content-Encoding"]) == ("Token a-secret", "gzip")
    assert 0 < len(lines) <= 500
    assert worker.figures() == {
        "backlog_ns": 0, "live_ns": 0, "owed": 0, "sent": len(server.lines), "parked": 0, "too_old": 0,
        "returns": 0, "waiting": False, "untimed": 0,
        "skipped": 0, "last_error": None,
    }  # fmt: skip


def test_no_more_than_500_lines_in_a_request(tmp_path: Path, server: Scripted) -> None:
    write(tmp_path, incident(1200, utc0=UTC))
    with opened(tmp_path, server, every_ns=0) as worker:
        until(lambda: level(worker), "level")
    assert max(len(lines) for _, _, lines in server.requests) == 500


@pytest.mark.parametrize("status", [401, 403, 404, 301, 429, 500, 503])
def test_what_is_not_the_lines_fault_loses_none(tmp_path: Path, server: Scripted, status: int) -> None:
    inputs = incident(300, utc0=UTC)
    write(tmp_path, inputs)
    server.script = lambda n, _lines: Answers(status=status if n in (1, 3, 4) else 204)
    with opened(tmp_path, server, every_ns=0) as worker:
        until(lambda: len(server.requests) >= 5 and level(worker), "level")
        assert worker.figures()["parked"] == 0
    assert parsed(server.lines) == due(inputs, 0)


def test_trouble_is_told(tmp_path: Path, server: Scripted) -> None:
    write(tmp_path, incident(300, utc0=UTC))
    server.script = lambda _n, _lines: Answers(status=401)
    with opened(tmp_path, server) as worker:
        until(lambda: worker.figures()["last_error"] is not None and worker.backlog_ns > 0, "trouble")
        assert str(worker.figures()["last_error"]).startswith("401 Unauthorized")
        assert worker.backlog_ns == 62 * SECOND - RIG.scan_ns + 1
        until(lambda: len(server.requests) > 3, "goes on trying")
    with Cursors(tmp_path) as cursors:
        assert cursors.get("mirror.base") == (1, -1)


def test_a_server_that_is_not_there_is_told_in_words_for_people(tmp_path: Path) -> None:
    write(tmp_path, incident(300, utc0=UTC))
    away = mirror(f"http://{HOST}:{free_port()}", SECOND)
    with MirrorWorker("base", away, tmp_path, "a-secret", pace=QUICK) as worker:
        until(lambda: worker.figures()["last_error"] is not None, "trouble")
        assert worker.figures()["last_error"] == "no connection: nobody listens there"


def test_retry_after_is_kept_to(tmp_path: Path, server: Scripted) -> None:
    write(tmp_path, incident(300, utc0=UTC))
    at: list[float] = []

    def script(n: int, _lines: list[str]) -> Answers:
        at.append(time.monotonic())
        return Answers(status=429, headers=(("Retry-After", "1"),)) if n == 1 else Answers()

    server.script = script
    with opened(tmp_path, server) as worker:
        until(lambda: level(worker), "level")
        assert worker.figures()["returns"] == 0
    assert at[1] - at[0] >= 1.0


def test_a_server_in_trouble_that_asks_for_more_at_once_is_not_stormed(tmp_path: Path, server: Scripted) -> None:
    write(tmp_path, incident(300, utc0=UTC))
    server.script = lambda _n, _lines: Answers(status=503, headers=(("Retry-After", "0"),))
    with opened(tmp_path, server) as worker:
        until(lambda: worker.figures()["last_error"] is not None, "trouble")
        time.sleep(1.0)
    assert 3 < len(server.requests) < 25  # the pace of this test: a try every 0.1 s


def test_a_bad_line_is_found_and_parked_with_its_reason(tmp_path: Path, server: Scripted) -> None:
    inputs = incident(600, utc0=UTC)
    write(tmp_path, inputs)
    bad = [f" {UTC + at * RIG.scan_ns}" for at in (50, 51, 300)]

    def script(_n: int, lines: list[str]) -> Answers:
        wrong = any(line.endswith(end) and "brake=aux" in line for line in lines for end in bad)
        return Answers(status=422) if wrong else Answers()

    server.script = script
    for _ in range(2):
        with opened(tmp_path, server, every_ns=0) as worker:
            until(lambda worker=worker: level(worker), "level")
            assert worker.figures()["parked"] == 3
    expected = due(inputs, 0)
    missing = expected.keys() - parsed(server.lines).keys()
    assert sorted(ns for _, _, ns in missing) == [int(end) for end in bad]
    rows = [json.loads(row) for row in (tmp_path / "mirror.base.parked.jsonl").read_text().splitlines()]
    assert set(parsed([row["line"] for row in rows])) == missing
    assert all(row["reason"].startswith("422 ") for row in rows)


def test_a_server_that_refuses_everything_is_set_up_wrong_and_parks_nothing(tmp_path: Path, server: Scripted) -> None:
    inputs = incident(60, utc0=UTC)
    write(tmp_path, inputs)
    server.script = lambda _n, _lines: Answers(status=400)
    with opened(tmp_path, server) as worker:
        until(lambda: "every line" in str(worker.figures()["last_error"]), "told")
        server.script = lambda _n, _lines: Answers()
        until(lambda: level(worker), "level")
        assert worker.figures()["parked"] == 0
    assert parsed(server.lines) == due(inputs, SECOND)


@pytest.mark.parametrize(
    ("status", "code", "told"),
    [
        (422, "unprocessable entity", "partial write: points beyond retention policy dropped={count}"),
        (500, "internal error", "partial write: points beyond retention policy dropped={count}"),
        (422, "unprocessable entity", "time outside of the bucket's retention period"),
    ],
    ids=["2.1 on", "2.0", "no count"],
)
def test_what_a_server_keeps_no_longer_holds_nothing_up(
    tmp_path: Path, server: Scripted, status: int, code: str, told: str
) -> None:
    """A bucket that keeps less than is owed: of such a request it writes what it keeps, and refuses with the count."""
    inputs = incident(1200, utc0=UTC)
    write(tmp_path, inputs)
    begin = UTC + 700 * RIG.scan_ns

    def script(_n: int, lines: list[str]) -> Answers:
        kept = [line for line in lines if int(line.rpartition(" ")[2]) >= begin]
        if len(kept) == len(lines):
            return Answers()
        server.lines += kept
        body = {"code": code, "message": told.format(count=len(lines) - len(kept))}
        return Answers(status=status, body=json.dumps(body).encode(), headers=(("Content-Type", "application/json"),))

    server.script = script
    expected = {key: fields for key, fields in due(inputs, 0).items() if key[2] >= begin}
    with opened(tmp_path, server, every_ns=0) as worker:
        until(lambda: level(worker), "level")
        assert worker.figures()["parked"] == 0
        assert worker.figures()["too_old"] == len(due(inputs, 0)) - len(expected) > 500
    assert len(server.requests) < 200  # a line each would be thousands
    assert parsed(server.lines) == expected


def test_a_server_that_keeps_nothing_of_it_is_told(tmp_path: Path, server: Scripted) -> None:
    """As where this machine's clock is years behind: nothing is held up, and the status says why nothing arrives."""
    write(tmp_path, incident(600, utc0=UTC))
    told = "partial write: points beyond retention policy dropped={count}"

    def script(_n: int, lines: list[str]) -> Answers:
        body = {"code": "unprocessable entity", "message": told.format(count=len(lines))}
        return Answers(status=422, body=json.dumps(body).encode(), headers=(("Content-Type", "application/json"),))

    server.script = script
    with opened(tmp_path, server) as worker:
        until(lambda: worker.figures()["too_old"] > 0 and worker.backlog_ns == 0, "all left out")
        assert "beyond retention" in str(worker.figures()["last_error"])
        assert worker.figures()["sent"] == worker.figures()["parked"] == 0


@pytest.mark.parametrize(
    "trouble",
    [Answers(hang=True), Answers(drop=True), Answers(drop=True, keep=True), Answers(status=503, keep=True)],
    ids=["hang", "dropped", "204 lost", "503 after commit"],
)
def test_an_answer_that_never_came(tmp_path: Path, server: Scripted, trouble: Answers) -> None:
    inputs = incident(300, utc0=UTC)
    write(tmp_path, inputs)
    server.script = lambda n, _lines: trouble if n in (1, 2) else Answers()
    with opened(tmp_path, server, every_ns=0) as worker:
        until(lambda: len(server.requests) > 2 and level(worker), "level")
        assert worker.figures()["parked"] == 0
    assert parsed(server.lines) == due(inputs, 0)


def fed(folder: Path, server: Scripted, inputs: list[Input], worker: MirrorWorker) -> None:
    """Record piece by piece, each mirrored before the next."""
    with Journal(folder, on_commit=worker.committed, bound=100_000) as journal, worker:
        start, *rest = pieces(inputs, 50)
        start(journal)
        for put in rest:
            before = len(server.requests)
            put(journal)
            journal.wait_committed(10)
            until(lambda before=before: len(server.requests) > before and level(worker), "mirrored")


def test_a_server_started_again_between_two_requests(tmp_path: Path, server: Scripted) -> None:
    """It answered all and forgot much of it; only the connection, gone without a word, tells."""
    inputs = incident(600, utc0=UTC)

    def script(n: int, _lines: list[str]) -> Answers:
        if n == 8:
            server.lines.clear()
        return Answers(hang_up=n == 8)

    server.script = script
    worker = opened(tmp_path, server)
    fed(tmp_path, server, inputs, worker)
    assert worker.figures()["returns"] == 1
    assert parsed(server.lines) == due(inputs, SECOND)


def test_a_server_that_takes_its_leave_is_trusted(tmp_path: Path, server: Scripted) -> None:
    inputs = incident(600, utc0=UTC)
    server.script = lambda _n, _lines: Answers(headers=(("Connection", "close"),))
    worker = opened(tmp_path, server)
    fed(tmp_path, server, inputs, worker)
    assert worker.figures()["returns"] == 0
    assert len(server.lines) == len(due(inputs, SECOND))


def test_a_server_that_always_hangs_up_gets_everything(tmp_path: Path, server: Scripted) -> None:
    inputs = incident(600, utc0=UTC)
    server.script = lambda _n, _lines: Answers(hang_up=True)
    fed(tmp_path, server, inputs, opened(tmp_path, server))
    assert parsed(server.lines) == due(inputs, SECOND)


def test_the_margin_is_sent_again_after_a_restart_and_no_more(tmp_path: Path, server: Scripted) -> None:
    inputs = incident(600, utc0=UTC)
    write(tmp_path, inputs)
    whole = len(due(inputs, SECOND))
    sent = []
    for margin_ns in (15 * SECOND, 0, 0):
        with opened(tmp_path, server, margin_ns=margin_ns) as worker:
            until(lambda worker=worker: worker._newest is not None and worker.backlog_ns == 0, "level")
        sent.append(len(server.lines))
    assert sent == [whole, 2 * whole, 2 * whole]


def test_closing_does_not_wait_for_an_answer(tmp_path: Path, server: Scripted) -> None:
    inputs = incident(300, utc0=UTC)
    write(tmp_path, inputs)
    server.script = lambda _n, _lines: Answers(hang=True)
    patient = Pace(answer_s=60.0)
    worker = MirrorWorker("base", mirror(server.url, SECOND), tmp_path, pace=patient)
    worker.start()
    until(lambda: bool(server.requests), "a request under way")
    worker.close(0.8)
    assert not worker._thread.is_alive()
    server.script = lambda _n, _lines: Answers()
    with opened(tmp_path, server) as worker:
        until(lambda: level(worker), "level")
    assert parsed(server.lines) == due(inputs, SECOND)


def test_nobody_there(tmp_path: Path) -> None:
    write(tmp_path, incident(60, utc0=UTC))
    worker = MirrorWorker("base", mirror(f"http://127.0.0.1:{free_port()}"), tmp_path, pace=QUICK)
    with worker:
        until(lambda: worker.figures()["last_error"] is not None, "told")
    assert not worker._thread.is_alive()


def test_a_run_that_cannot_be_used_is_left_out(tmp_path: Path, server: Scripted) -> None:
    good, later = incident(120, utc0=UTC), incident(120, run=3, t0=200 * SECOND, utc0=UTC + 200 * SECOND)
    with Journal(tmp_path, bound=100_000) as journal:
        for put in pieces(good, 500):
            put(journal)
        journal.begin(Start(run=2, t_ns=100 * SECOND, utc_ns=UTC, boot="b", version="0", rig_toml="schema = 99"))
        journal.append(scans(RIG, 50, run=2, t0=101 * SECOND))
        for put in pieces(later, 500):
            put(journal)
        assert journal.wait_committed(10)
    with opened(tmp_path, server) as worker:
        until(lambda: level(worker), "level")
        assert worker.figures()["skipped"] == 1
    assert parsed(server.lines) == due([*good, *later], SECOND)


@pytest.mark.long  # a rate, in seconds: not beside other tests
def test_what_happens_now_goes_first_and_the_backlog_keeps_to_its_rate(tmp_path: Path, server: Scripted) -> None:
    """Ten minutes were missed; while they are sent slowly, each new scan goes out with one of the next requests."""
    start, old, *_ = incident(3000, utc0=UTC)
    assert isinstance(old, Block)
    new = scans(RIG, 24, first=3001, t0=int(old.t_ns[-1]) + RIG.scan_ns, utc0=int(old.utc_ns[-1]) + RIG.scan_ns)
    steps = iter([*pieces([start, old], 2000), *list(pieces([start, old, new], 6))[501:]])
    slow = Mirror.model_validate({"url": server.url, "every": "0.2 s", "backlog-rate": 100})
    worker = MirrorWorker("base", slow, tmp_path, pace=QUICK)
    late = []
    with Journal(tmp_path, on_commit=worker.committed, bound=100_000) as journal:
        for _ in range(3):
            next(steps)(journal)
        assert journal.wait_committed(30)
        with worker:
            until(lambda: worker.figures()["owed"] == 1, "cut")
            began, had = time.monotonic(), worker.figures()["sent"]
            for number, step in enumerate(steps):
                before = len(server.requests)
                step(journal)
                until(lambda number=number: _has(server, int(new.utc_ns[6 * number + 5])), "the newest scan")
                late.append(len(server.requests) - before)
                assert worker.figures()["backlog_ns"] > 60 * SECOND > worker.figures()["live_ns"]
            most = slow.backlog_rate * (time.monotonic() - began) + 1000  # a batch ahead, and the live lines
            assert worker.figures()["sent"] - had < most
    assert len(late) == 4
    assert max(late) <= 8  # a commit comes up to a second after its scan; the backlog is a dozen requests
    quick = slow.model_copy(update={"backlog_rate": 1_000_000})
    with MirrorWorker("base", quick, tmp_path, pace=QUICK) as worker:
        until(lambda: level(worker), "level", within_s=40)
    assert parsed(server.lines) == due([start, old, new], SECOND // 5)


def _has(server: Scripted, utc_ns: int) -> bool:
    end = f" {utc_ns}"
    return any(line.endswith(end) for line in server.lines[-4000:])


def test_what_is_owed_is_still_owed_after_a_restart(tmp_path: Path, server: Scripted) -> None:
    inputs = incident(3000, utc0=UTC)
    write(tmp_path, inputs)
    slow = Mirror.model_validate({"url": server.url, "every": "0.2 s", "backlog-rate": 300})
    with MirrorWorker("base", slow, tmp_path, pace=QUICK, margin_ns=0) as worker:
        until(lambda: worker.figures()["owed"] == 1, "cut")
    with Cursors(tmp_path) as cursors:
        assert len(cursors.spans("mirror.base")) == 2
    first = len(server.lines)
    with opened(tmp_path, server, every_ns=SECOND // 5, margin_ns=0) as worker:
        until(lambda: level(worker), "level")
    expected = due(inputs, SECOND // 5)
    assert 0 < first < len(expected)
    assert parsed(server.lines) == expected
    assert len(server.lines) < len(expected) + 4096  # what was under way, and no more, was sent twice


def test_tls_with_certificates_on_both_sides(tmp_path: Path) -> None:
    ours, others = Authority(tmp_path, "ours"), Authority(tmp_path, "others")
    server, client = ours.sign("server"), ours.sign("client")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(server.certificate, server.key)
    context.load_verify_locations(ours.file)
    context.verify_mode = ssl.CERT_REQUIRED
    inputs = incident(60, utc0=UTC)
    write(tmp_path, inputs)
    files = {"certificate": str(client.certificate), "key": str(client.key)}
    with Scripted(context).up() as made:
        strange = Mirror.model_validate({"url": made.url, "ca": str(others.file), **files})
        with MirrorWorker("base", strange, tmp_path, pace=QUICK) as worker:
            until(lambda: "certificate" in str(worker.figures()["last_error"]).lower(), "refused")
        assert made.lines == []
        known = Mirror.model_validate({"url": made.url, "ca": str(ours.file), **files})
        with MirrorWorker("base", known, tmp_path, pace=QUICK) as worker:
            until(lambda: level(worker), "level")
    assert parsed(made.lines) == due(inputs, SECOND)


def test_mirrors_do_not_wait_for_one_another(tmp_path: Path, server: Scripted) -> None:
    """Three of one record: one is up, one refuses, one is not there; each has a cursor of its own."""
    inputs = incident(300, utc0=UTC)
    write(tmp_path, inputs)
    with Scripted().up() as shut:
        shut.script = lambda _n, _lines: Answers(status=401)
        urls = {"up": server.url, "shut": shut.url, "away": f"http://127.0.0.1:{free_port()}"}
        workers = {
            name: MirrorWorker(name, mirror(url, SECOND), tmp_path, pace=QUICK, margin_ns=0)
            for name, url in urls.items()
        }
        with workers["up"], workers["shut"], workers["away"]:
            until(lambda: level(workers["up"]), "one is level")
            until(lambda: all(workers[name].figures()["last_error"] for name in ("shut", "away")), "told")
            assert workers["shut"].backlog_ns > 0
    assert parsed(server.lines) == due(inputs, SECOND)
    with Cursors(tmp_path) as cursors:
        assert cursors.get("mirror.up") != (1, -1)
        assert cursors.get("mirror.shut") in ((1, -1), None)
        assert cursors.get("mirror.away") in ((1, -1), None)
