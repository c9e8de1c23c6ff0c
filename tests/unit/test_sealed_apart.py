"""Inputs that go from one process to another: the same afterwards; and what went wrong is raised as what it was."""

import numpy as np
import pytest

from brakewater.errors import DamagedRecordError, StorageError
from brakewater.record.rows import rows_of
from brakewater.record.sealed.apart import _read, _written
from brakewater.stream import Block
from record_streams import block, command, gap, start


@pytest.mark.parametrize(
    "item", [start(1), block(1, 1, 7), command(1, 8), gap(1, 9, (1, 3, 4))], ids=lambda one: type(one).__name__
)
def test_an_input_comes_over_whole(item: object) -> None:
    back = _read(*_written(item))  # type: ignore[arg-type]
    assert type(back) is type(item)
    assert back.run == item.run  # type: ignore[union-attr, attr-defined]
    assert rows_of(back) == rows_of(item)  # type: ignore[arg-type]
    if isinstance(back, Block):
        assert back.words.dtype == np.uint16
        assert back.input.flags.writeable


def test_the_end_and_what_went_wrong() -> None:
    assert _read(*_written(None)) is None
    for error in (StorageError("the disk"), DamagedRecordError("row 7")):
        with pytest.raises(type(error), match=str(error)) as raised:
            _read(*_written(error))
        assert raised.type is type(error)
