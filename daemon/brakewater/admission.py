"""What is admitted to the stream: inputs with their stamps, how they become a block, and what must stay outside."""

from asyncio import Future
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from brakewater.record.rows import rows_of
from brakewater.stream import Answer, Block, Command, Request, Sample

STAMP_NS: Final = 100_000
"""Steady time and ages are stamped to this. A scan's close tells no better when a device took its sample, and finer
digits are noise that costs the record a third of its size."""
LABEL_NS: Final = 1_000_000
"""Wall time, a label, is stamped to the millisecond that people and other programs read."""
_DEEPEST: Final = 8
"""Levels of lists and tables in a command; no command needs more, and the record's JSON bears only so many."""


@dataclass(slots=True)
class Admitted:
    """An input with its stamps, waiting for its turn."""

    input: int
    t_ns: int
    utc_ns: int
    item: Sample | Request
    answer: Future[Answer] | None
    late_ns: int = 0
    """From the close of a sample to its stamp."""

    def settle(self, says: str) -> None:
        """Refuse it, where it is a request that has no answer yet."""
        if isinstance(self.item, Request) and self.answer is not None and not self.answer.done():
            self.answer.set_result(Answer(id=self.item.id, actor=self.item.actor, ok=False, says=says))


def block_of(run: int, admitted: Sequence[Admitted]) -> Block:
    """Consecutive samples as one block."""
    if len(admitted) == 1 and isinstance(admitted[0].item, Sample):
        return _lone(run, admitted[0], admitted[0].item)
    samples = [one.item for one in admitted if isinstance(one.item, Sample)]
    ages = [[age + one.late_ns for age in s.age_ns] for one, s in zip(admitted, samples, strict=True)]
    count = len(samples)
    return Block(
        run=run,
        input=np.array([one.input for one in admitted], np.int64),
        t_ns=np.array([one.t_ns for one in admitted], np.int64),
        utc_ns=np.array([one.utc_ns for one in admitted], np.int64),
        words=np.frombuffer(b"".join([s.words for s in samples]), "<u2").reshape(count, -1),
        status=np.frombuffer(b"".join([s.status for s in samples]), np.uint8).reshape(count, -1),
        age_ns=np.array(ages, np.int64) // STAMP_NS * STAMP_NS,
    )


def _lone(run: int, one: Admitted, sample: Sample) -> Block:
    """The same of one sample, only quicker."""
    ages = [(age + one.late_ns) // STAMP_NS * STAMP_NS for age in sample.age_ns]
    numbers = np.array((one.input, one.t_ns, one.utc_ns, *ages), np.int64)
    return Block(
        run=run,
        input=numbers[:1],
        t_ns=numbers[1:2],
        utc_ns=numbers[2:3],
        words=np.frombuffer(sample.words, "<u2").reshape(1, -1),
        status=np.frombuffer(sample.status, np.uint8).reshape(1, -1),
        age_ns=numbers[3:].reshape(1, -1),
    )


def refusal(request: Request) -> str | None:
    """Why a request must not reach the engine: what is admitted has to go into the record, and out of it again."""
    try:
        _check_depth(request.args, _DEEPEST)
        f"{request.id}{request.actor}{request.do}".encode()
        rows_of(Command(run=0, input=0, t_ns=0, utc_ns=0, request=request))
    except (TypeError, ValueError) as error:
        return f"this command cannot be recorded: {error}"
    return None


def _check_depth(value: object, levels: int) -> None:
    parts = value.values() if isinstance(value, Mapping) else value if isinstance(value, list | tuple) else ()
    if levels == 0 and parts:
        raise ValueError(f"found lists or tables nested deeper than {_DEEPEST} levels; allowed: up to that")
    for part in parts:
        _check_depth(part, levels - 1)
