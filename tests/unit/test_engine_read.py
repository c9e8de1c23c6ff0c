"""Words to readings: a long block, which is looked up in tables, gives what its scans give in short ones."""

import numpy as np
import pytest

import streams
from brakewater.engine.read import Reader
from brakewater.rig import Rig
from brakewater.stream import Block

N = 5000


def any_words(rig: Rig, status: int = 0) -> Block:
    rng = np.random.default_rng(7)
    block = streams.scans(rig, N)
    words = rng.integers(0, 1 << 16, block.words.shape, np.uint16)
    words[:100] = np.arange(100).reshape(-1, 1)
    state = np.zeros_like(block.status)
    state[N // 2] = status
    return Block(
        run=1, input=block.input, t_ns=block.t_ns, utc_ns=block.utc_ns, words=words, status=state, age_ns=block.age_ns
    )


@pytest.mark.parametrize("status", [0, 1])
@pytest.mark.parametrize("rig", [streams.demo(), streams.two(), streams.rich()], ids=["demo", "two", "rich"])
def test_a_long_block_reads_as_short_ones(rig: Rig, status: int) -> None:
    block, reader = any_words(rig, status), Reader(rig.slots)
    whole = reader.read(block)
    parts = [reader.read(block.cut(first, min(first + 999, N))) for first in range(0, N, 999)]
    for name, column in whole.items():
        for what in ("values", "codes"):
            found, wanted = getattr(column, what), np.concatenate([getattr(part[name], what) for part in parts])
            assert found.dtype == wanted.dtype
            assert found.tobytes() == wanted.tobytes(), name


def test_by_rows_or_by_columns_is_the_same() -> None:
    rig = streams.demo()
    block, reader = any_words(rig), Reader(rig.slots)
    turned = Block(
        run=1,
        input=block.input,
        t_ns=block.t_ns,
        utc_ns=block.utc_ns,
        words=np.asfortranarray(block.words),
        status=np.asfortranarray(block.status),
        age_ns=np.asfortranarray(block.age_ns),
    )
    one, other = reader.read(block), reader.read(turned)
    assert all(one[name].values.tobytes() == other[name].values.tobytes() for name in one)
