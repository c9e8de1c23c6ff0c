"""Whatever the panel's own description allows, and what it does not, is asked of a real one: never a 5xx.

Drawn by schemathesis from the OpenAPI description, valid and broken alike. The long run draws many more.
"""

import warnings
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from brokers import until
from panel_parts import PIN, Pages, pages

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import schemathesis
    from schemathesis import GenerationMode

pytestmark = pytest.mark.integration

ENDLESS = ("/api/live",)
"""Server-sent events never end; how they are bounded is tested by themselves."""
LEAVES = ("/api/log-out", "/api/log-in")
"""Asked last: five wrong PINs lock whoever tries."""


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    with pages(tmp_path_factory.mktemp("fuzz")) as one:
        yield one


def drawn(shown: Pages, most: int) -> None:
    with shown.client() as client:
        until(lambda: logged_in(client), "whoever drew wrong PINs before is let in again", within_s=120)
        schema = schemathesis.openapi.from_dict(client.get("/api/openapi.json").json())
        found = [one.ok() for one in schema.get_all_operations()]
        found.sort(key=lambda one: one.path in LEAVES)
        assert len(found) >= 15
        for operation in found:
            if operation.path not in ENDLESS:
                ask(client, operation, most)
        assert client.get("/api/now").status_code == 200, "and the panel goes on"
    assert shown.watch.process.poll() is None


def logged_in(client: Any) -> bool:
    """False as long as an earlier draw has the address locked: the panel is shared, and five wrong PINs do that."""
    return bool(client.post("/api/log-in", json={"actor": "engineer", "pin": PIN}).status_code == 200)


def ask(client: Any, operation: Any, most: int) -> None:
    both = st.one_of(*(operation.as_strategy(generation_mode=mode) for mode in GenerationMode))

    @settings(
        max_examples=most, deadline=None, phases=[Phase.generate], database=None, derandomize=most < 100,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(both)
    def one_by_one(case: Any) -> None:
        given_ = case.as_transport_kwargs(base_url=str(client.base_url))
        request = client.build_request(
            given_["method"], given_["url"], params=given_.get("params"), json=given_.get("json"),
            content=given_.get("data") if isinstance(given_.get("data"), str | bytes) else None,
            headers={name: str(value) for name, value in (case.headers or {}).items() if str(value).isascii()},
        )  # fmt: skip
        answer = client.send(request)
        assert answer.status_code < 500, (given_, answer.text)
        if answer.status_code >= 400:
            assert answer.json()["says"], answer.text

    one_by_one()


@pytest.mark.timeout(600)
def test_nothing_that_can_be_asked_breaks_the_panel(shown: Pages) -> None:
    drawn(shown, 12)


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_nothing_that_can_be_asked_breaks_the_panel_in_many_tries(shown: Pages) -> None:
    drawn(shown, 400)
