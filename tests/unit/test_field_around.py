"""What stands around a point, where answers are lost on the way."""

import asyncio
from collections.abc import Sequence

import pytest

from brakewater.field import probe
from brakewater.field.frames import Answer, Read
from brakewater.field.hypothesis import Cells
from brakewater.quality import Status
from brakewater.rig import Device, Table


class Lossy:
    """Answers each register with its address; of the first so many requests there comes nothing."""

    def __init__(self, lost: int, *, units: Sequence[int] = (1,)) -> None:
        self.lost, self.units, self.asked = lost, units, list[Read]()

    async def ask(self, read: Read) -> Answer:
        self.asked.append(read)
        self.lost -= 1
        is_there = self.lost < 0 and read.unit in self.units
        words = tuple(range(read.address, read.address + read.count)) if is_there else ()
        return Answer(status=Status.OK if is_there else Status.SILENT, words=words, sent_ns=0, answered_ns=0)


@pytest.fixture(autouse=True)
def no_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe, "_REST_S", 0.0)


def around(lossy: Lossy, units: Sequence[int] = ()) -> Cells:
    device = Device.model_validate({"name": "plc1", "host": "h"})
    return asyncio.run(probe.around(lossy.ask, device, Table.INPUT, 20, units))


def test_two_lost_answers_hide_nothing() -> None:
    lossy = Lossy(2)
    assert list(around(lossy)[1, Table.INPUT]) == list(range(19, 25))
    assert len(lossy.asked) == 4  # two lost, its own table, the one beside


def test_one_that_is_not_there_is_not_asked_for_ever() -> None:
    lossy = Lossy(10**6)
    assert not any(around(lossy).values())
    assert len(lossy.asked) == 2 * 3


def test_other_units_are_asked_twice() -> None:
    lossy = Lossy(0)
    assert list(around(lossy, range(1, 4))[1, Table.INPUT]) == list(range(19, 25))
    assert [read.unit for read in lossy.asked].count(2) == 2
