"""Every fault on every transport: no wrong value, the right name for it, right again soon. `pytest -s` prints it."""

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from faults.cases import FAULTS, Fault, families
from faults.device import Transport
from faults.matrix import Outcome, family, one, table

pytestmark = pytest.mark.integration

MET: list[Outcome] = []


def meet(how: Callable[[Transport], Awaitable[Outcome]], transports: list[Transport]) -> None:
    """On all transports at once: they mostly wait."""

    async def all_of_them() -> list[Outcome]:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(how(transport), name=transport) for transport in transports]  # type: ignore[arg-type]
        return [task.result() for task in tasks]

    MET.extend(asyncio.run(all_of_them()))


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name.replace(" ", "-"))
def test_a_fault(fault: Fault) -> None:
    meet(lambda transport: one(fault, transport), [t for t in Transport if fault.status(t)])


@pytest.mark.parametrize("name", families(Transport.TCP))
def test_a_family_of_faults(name: str) -> None:
    meet(lambda transport: family(name, transport), list(Transport))


def test_the_matrix_is_as_large_as_promised() -> None:
    for transport in Transport:
        assert sum(bool(fault.status(transport)) for fault in FAULTS) >= 25
    print("\n" + table(MET))
