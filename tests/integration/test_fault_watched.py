"""Faults as a whole watch meets them; `python -m tests.faults.watched` runs and prints all of them."""

import asyncio
from collections.abc import Iterator, Sequence
from contextlib import ExitStack

import pytest

from faults.cases import FAULTS, families
from faults.device import Transport
from faults.register_server import build, device
from faults.watched import NEIGHBOURS, everything, family, one, table

pytestmark = pytest.mark.integration

FEW = ("accepts and says nothing", "connection reset", "nobody there", "flood of garbage")


@pytest.fixture(scope="module")
def ports(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[list[int]]]:
    with ExitStack() as stack:
        program = build(tmp_path_factory.mktemp("neighbours"))
        yield [[stack.enter_context(device(program)) for _ in NEIGHBOURS] for _ in Transport]


@pytest.mark.parametrize("name", FEW)
def test_a_fault_is_named_and_the_neighbours_do_not_notice(name: str, ports: Sequence[Sequence[int]]) -> None:
    fault = next(fault for fault in FAULTS if fault.name == name)

    async def on_all() -> None:
        async with asyncio.TaskGroup() as group:
            for transport, two in zip(Transport, ports, strict=True):
                group.create_task(one(fault, transport, two))

    asyncio.run(on_all())


def test_a_family_of_faults(ports: Sequence[Sequence[int]]) -> None:
    (name,) = (name for name in families(Transport.TCP) if name.startswith("exception"))
    outcome = asyncio.run(family(name, Transport.TCP, ports[0]))
    assert (outcome.faults, outcome.shown) == (11, ("EXCEPTION",))


@pytest.mark.long
@pytest.mark.timeout(900)
def test_all_faults(ports: Sequence[Sequence[int]]) -> None:
    print("\n" + table(asyncio.run(everything(ports))))
