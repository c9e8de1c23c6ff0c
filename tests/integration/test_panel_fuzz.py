"""Whatever the panel's own description allows, and what it does not, is asked of a real one: never a 5xx.

Drawn by schemathesis from the OpenAPI description, valid and broken alike, and of what the watch knows by name, since a
description cannot say which alarms and times there are. The long run draws many more.
"""

import time
import warnings
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from brakewater.engine.commands import ALARMS, BOOKED, BY_HAND, DESK, SETTINGS
from brakewater.record.verify import verify
from brokers import until
from panel_parts import PIN, Pages, pages

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import schemathesis
    from schemathesis import GenerationMode

pytestmark = pytest.mark.integration

ENDLESS = ("/api/live",)
"""Server-sent events never end; how they are bounded is tested by themselves."""
FEW = 20
"""Fewer are the same ones each time."""
NEVER = {"post /api/pair", "post /api/log-in", "get /api/past/seen"}
"""Not to be come by: codes and PINs are not guessed, and no driller's page was open."""
PAST = 4
"""What reads the record takes a whole replay, an export or a case file each time: so many times fewer of it."""
LEAVES = ("/api/log-out", "/api/log-in")
"""Asked last: five wrong PINs lock whoever tries."""


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    with pages(tmp_path_factory.mktemp("fuzz")) as one:
        yield one


def drawn(shown: Pages, most: int) -> None:
    with shown.client() as client:
        until(lambda: logged_in(client), "whoever drew wrong PINs before is let in again", within_s=120)
        described = client.get("/api/openapi.json").json()
        found = [one.ok() for one in schemathesis.openapi.from_dict(described).get_all_operations()]
        found.sort(key=lambda one: one.path in LEAVES)
        assert len(found) >= 15
        told = {
            f"{one.method} {one.path}": ask(client, one, times(one.path, most), names_of(described, one))
            for one in found
            if one.path not in ENDLESS
        }
        assert client.get("/api/now").status_code == 200, "and the panel goes on"
    print("\n".join(f"{name}: {dict(sorted(codes.items()))}" for name, codes in told.items()))
    if most >= FEW:  # what is refused at the door is not looked into
        assert {name for name, codes in told.items() if not codes[200]} <= NEVER
    assert shown.watch.process.poll() is None
    assert "Traceback" not in shown.watch.said
    assert verify(shown.watch.record).verdict == "consistent"


def times(path: str, most: int) -> int:
    return most // PAST if "/past/" in path and most >= FEW else most


def logged_in(client: Any) -> bool:
    """False as long as an earlier draw has the address locked: the panel is shared, and five wrong PINs do that."""
    return bool(client.post("/api/log-in", json={"actor": "engineer", "pin": PIN}).status_code == 200)


def names_of(described: dict[str, Any], operation: Any) -> set[str]:
    """What an operation takes, by its description; a command takes anything."""
    own = described["paths"][operation.path][operation.method]
    names = {one["name"] for one in own.get("parameters", ())}
    for content in own.get("requestBody", {}).get("content", {}).values():
        body = described["components"]["schemas"][content["schema"]["$ref"].rpartition("/")[2]]
        names |= set(lawful()) if body.get("additionalProperties") else set(body["properties"])
    return names


def lawful() -> dict[str, list[Any]]:
    """What the description cannot say: words the watch knows, and times at which something was recorded."""
    now_ms = time.time_ns() // 1_000_000
    return {
        "do": [*ALARMS, *SETTINGS, *DESK, *BY_HAND, *BOOKED],
        "alarm": ["all", "aux.cooling-flow-low", "aux.cooling-lost", "aux.cooling-flow"],
        "minutes": [1, 30.5, 0, -1, 1e300], "reason": ["valve", ""], "remark": ["found so", "x" * 5000],
        "setting": ["aux.cooling-flow-low.setpoint", "aux.cooling-lost.on-delay", "x"],
        "value": ["70 gal/min", "1 s", "1e400 s", 70, None], "t": [f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}", 0],
        "point": ["aux-flow", "aux-level", "aux"], "brake": ["aux", "main"], "at": ["2026-01-01", 5],
        "round": ["grease", "air-gap", "coils"], "values": [{}, {"plug-1-left": "0.005 in"}, [1]], "void": [True, 7],
        "part": ["meter", "rotor"], "serial": ["M-1", 5], "hours": [1, 12, 0], "text": ["words"], "by": ["someone"],
        "hold": [1, "a"], "from": ["a", {"b": 1}], "to": ["engineer"], "from_ms": [now_ms - 60_000, now_ms + 60_000],
        "to_ms": [now_ms + 1000, 0], "zoom_from_ms": [now_ms - 30_000], "zoom_to_ms": [now_ms + 1000],
        "count": [5, 200], "set": ["aux.cooling-flow-low.on-delay=1 s", "aux.cooling-lost.setpoint=1 kPa", "x"],
        "kind": ["csv", "parquet", "case", "report"], "every_s": [1, 60], "days": [1, 30], "lang": ["en", "es", "xx"],
        "units": ["us", "metric", "si"],
    }  # fmt: skip


COMMANDS: list[dict[str, Any]] = [
    {"do": "acknowledge", "alarm": "all"}, {"do": "silence"}, {"do": "test"}, {"do": "note", "text": "found so"},
    {"do": "shelve", "alarm": "aux.cooling-flow-low", "minutes": 30.5, "reason": "valve"},
    {"do": "unshelve", "alarm": "aux.cooling-flow-low"},
    {"do": "set", "setting": "aux.cooling-flow-low.setpoint", "value": "70 gal/min", "reason": "valve"},
    {"do": "unset", "setting": "aux.cooling-flow-low.setpoint", "reason": "valve"},
    {"do": "substitute", "point": "aux-level", "value": "10 in", "reason": "valve"},
    {"do": "restore", "point": "aux-level"}, {"do": "check-begin", "point": "aux-flow", "reason": "valve"},
    {"do": "check-end", "point": "aux-flow"}, {"do": "test-alarm", "alarm": "aux.cooling-lost"}, {"do": "test-end"},
    {"do": "log-round", "round": "grease", "remark": "found so"}, {"do": "sign-book", "remark": "found so"},
]  # fmt: skip
"""Whole ones; drawn as they are, and with some of their values exchanged."""


def ask(client: Any, operation: Any, most: int, names: set[str]) -> Counter[int]:
    """Draw so many, half of them from the description alone, half of words and times that mean something.

    Returns:
        Status of the answers -> how many.
    """
    both = st.one_of(*(operation.as_strategy(generation_mode=mode) for mode in GenerationMode))
    known = {name: st.sampled_from(values) for name, values in lawful().items() if name in names}
    first = {name: st.just(values[0]) for name, values in lawful().items() if name in names - {"do"}}
    some = st.fixed_dictionaries({}, optional=known) | st.fixed_dictionaries(
        {**{name: known[name] for name in known if name == "do"}, **first}
    )
    if "do" in names:
        whole = st.sampled_from(COMMANDS)
        some |= whole | st.builds(lambda one, more: {**one, **more}, whole, st.fixed_dictionaries({}, optional=known))
    codes: Counter[int] = Counter()

    @settings(
        max_examples=most, deadline=None, phases=[Phase.generate], database=None, derandomize=most < FEW,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(both, st.none() | some)
    def one_by_one(case: Any, near: dict[str, Any] | None) -> None:
        given_ = case.as_transport_kwargs(base_url=str(client.base_url))
        if near is not None and names:
            given_ |= {"params": near} if operation.method == "get" else {"json": near, "data": None}
        request = client.build_request(
            given_["method"], given_["url"], params=given_.get("params"), json=given_.get("json"),
            content=given_.get("data") if isinstance(given_.get("data"), str | bytes) else None,
            headers={name: str(value) for name, value in (case.headers or {}).items() if str(value).isascii()},
        )  # fmt: skip
        answer = client.send(request)
        codes[answer.status_code] += 1
        assert answer.status_code < 500, (given_, answer.text)
        if answer.status_code >= 400:
            assert answer.json()["says"], answer.text

    one_by_one()
    return codes


@pytest.mark.timeout(600)
def test_nothing_that_can_be_asked_breaks_the_panel(shown: Pages) -> None:
    drawn(shown, 12)


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_nothing_that_can_be_asked_breaks_the_panel_in_many_tries(shown: Pages) -> None:
    drawn(shown, 200)
