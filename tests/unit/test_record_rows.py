import datetime as dt
import hashlib
import json
import struct

import numpy as np
import pytest
import rfc8785

from brakewater.quality import Reason
from brakewater.record import chain
from brakewater.record.documents import canonical, event_doc, event_of, exact, parse
from brakewater.record.rows import Widths, inputs_of, packed, rows_of, widths_of
from brakewater.units import utc_text
from record_streams import UTC, block, command, event, flat, gap, start


def test_event_document_has_the_contract_keys() -> None:
    doc = event_doc(event(3, 104233, 17))
    numbers = {"run", "input", "n", "value", "setpoint"}
    texts = {"t", "rig", "brake", "alarm", "from", "to", "priority", "quality", "why", "actor", "first_out"}
    assert numbers | texts <= doc.keys()
    assert doc["t"] == "2031-02-04T08:11:31.723Z"
    assert doc["utc_ns"] == str(UTC + 104233 * 200_000_000)


def test_time_text_against_the_standard_library() -> None:
    # Python's datetime is the outside reference here; both round down to the millisecond.
    for utc_ns in (0, UTC, 999_999, -1, 1_000_000_000_123_999_999):
        moment = dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(microseconds=utc_ns // 1_000_000 * 1000)
        assert utc_text(utc_ns) == moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


@pytest.mark.parametrize("reason", [*Reason, 33, 200])
def test_event_comes_back(reason: int) -> None:
    made = event(1, 2, 3, reason=int(reason), value=21.0, setpoint=None, brake=None, actor="driller")
    back = event_of(parse(canonical(event_doc(made))))
    assert back == made
    assert isinstance(back.value, float)


def test_what_is_no_number_is_null() -> None:
    doc = event_doc(event(1, 2, 3, value=float("nan"), setpoint=float("inf")))
    assert doc["value"] is None
    assert doc["setpoint"] is None


@pytest.mark.parametrize(
    "args",
    [{"v": 1.0}, {"v": 1}, {"v": -0.0}, {"v": 2**63}, {"v": "\ud800"}, {"json": "x"}, {"v": [1.5, None, True]}, {}],
)
def test_command_arguments_come_back_as_they_were(args: dict[str, object]) -> None:
    made = command(1, 5, args)
    (back,) = inputs_of(1, rows_of(made), None)
    assert back == made
    assert repr(back) == repr(made)


def test_plain_documents_are_rfc_8785() -> None:
    doc = {"b": 1, "a": "€"}
    assert exact(doc) == canonical(doc) == '{"a":"€","b":1}'.encode()


def test_scan_body_layout() -> None:
    scans = block(1, 7, 2)
    number, kind, t_ns, utc_ns, body = rows_of(scans)[1]
    assert (number, kind, t_ns, utc_ns) == (8, "scan", int(scans.t_ns[1]), int(scans.utc_ns[1]))
    assert struct.unpack("<12H10B2q", body) == (*scans.words[1], *scans.status[1], *scans.age_ns[1])


def test_inputs_come_back() -> None:
    items = [start(), block(1, 1, 3), command(1, 4), block(1, 5, 2), gap(1, 7, (1, 2, 3))]
    rows = [row for item in items for row in rows_of(item)]
    back = list(inputs_of(1, rows, widths_of(block(1, 1))))
    assert flat(back) == flat(items)
    assert [type(item) for item in back] == [type(item) for item in items]


def test_a_scan_of_no_words_or_points_comes_back() -> None:
    bare = block(1, 1, 2)
    narrow = type(bare)(
        run=1,
        input=bare.input,
        t_ns=bare.t_ns,
        utc_ns=bare.utc_ns,
        words=np.zeros((2, 0), np.uint16),
        status=np.zeros((2, 0), np.uint8),
        age_ns=bare.age_ns,
    )
    assert flat(inputs_of(1, rows_of(narrow), Widths(words=0, points=0, devices=2))) == flat([narrow])


def test_link_is_the_hash_of_the_canonical_document() -> None:
    events = [event_doc(event(2, 9, n)) for n in (1, 2)]
    rows = [packed(row) for row in rows_of(block(2, 8, 2))]
    digest = hashlib.sha256(b"".join(rows)).hexdigest()
    whole = {
        "prev": chain.GENESIS,
        "run": 2,
        "first_input": 8,
        "last_input": 9,
        "widths": [12, 10, 2],
        "inputs": digest,
        "events": events,
    }
    assert chain.inputs_digest(rows) == digest
    made = chain.link(
        prev=chain.GENESIS,
        run=2,
        first_input=8,
        last_input=9,
        widths=Widths(words=12, points=10, devices=2),
        digest=digest,
        events=[canonical(doc) for doc in events],
    )
    assert made == hashlib.sha256(rfc8785.dumps(whole)).hexdigest()
    assert json.loads(rfc8785.dumps(whole))["inputs"] == digest
