import json
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from brakewater.record.journal import Journal
from brakewater.record.reader import Record
from brakewater.record.verify import verify
from brakewater.stream import Block, Command, Event, Gap
from record_streams import command, event, flat, gap, read, start

INT64 = st.integers(-(2**63), 2**63 - 1)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


def _block(draw: st.DrawFn, run: int, first: int, widths: tuple[int, int, int]) -> Block:
    n = draw(st.integers(1, 12))
    words, points, devices = widths
    return Block(
        run=run,
        input=np.arange(first, first + n, dtype=np.int64),
        t_ns=draw(hnp.arrays(np.int64, n, elements=INT64)),
        utc_ns=draw(hnp.arrays(np.int64, n, elements=INT64)),
        words=draw(hnp.arrays(np.uint16, (n, words))),
        status=draw(hnp.arrays(np.uint8, (n, points))),
        age_ns=draw(hnp.arrays(np.int64, (n, devices), elements=INT64)),
    )


@st.composite
def runs(draw: st.DrawFn) -> list[tuple[int, list[tuple[Block | Command | Gap, tuple[Event, ...]]]]]:
    made = []
    run = 0
    for _ in range(draw(st.integers(1, 3))):
        run += draw(st.integers(1, 3))
        widths = (draw(st.integers(0, 4)), draw(st.integers(0, 3)), draw(st.integers(1, 3)))
        entries: list[tuple[Block | Command | Gap, tuple[Event, ...]]] = []
        number, n = 1, 1
        for kind in draw(st.lists(st.sampled_from(["scans", "command", "gap"]), max_size=6)):
            item: Block | Command | Gap
            if kind == "scans":
                item = _block(draw, run, number, widths)
                last = int(item.input[-1])
            else:
                args = draw(st.dictionaries(st.text(max_size=5), JSON, max_size=3))
                item = command(run, number, args) if kind == "command" else gap(run, number, (run, 1, 2**40))
                last = number
            events = tuple(
                event(run, draw(st.integers(number, last)), n + at, why=draw(st.text(max_size=8)), utc_ns=draw(INT64))
                for at in range(draw(st.integers(0, 2)))
            )
            entries.append((item, events))
            number, n = last + 1, n + len(events)
        made.append((run, entries))
    return made


@settings(max_examples=40, deadline=None)
@given(stream=runs(), page=st.integers(1, 20), data=st.data())
def test_any_stream_comes_back_equal_however_it_is_cut(stream: list, page: int, data: st.DataObject) -> None:
    given_inputs, given_events = [], []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with Journal(folder) as journal:
            for run, entries in stream:
                journal.begin(start(run))
                given_inputs.append(start(run))
                for item, events in entries:
                    journal.append(item, events)
                    given_inputs.append(item)
                    given_events.extend(events)
                    if data.draw(st.integers(0, 3)) == 0:
                        assert journal.wait_committed(10)
        inputs, events_back = read(folder)
        assert inputs == flat(given_inputs)
        assert _arguments(inputs) == _arguments(given_inputs)
        assert events_back == given_events
        at = data.draw(st.integers(0, len(inputs) - 1))
        after = _identity(inputs[at])
        assert flat(Record(folder).inputs(after=after, block=page)) == inputs[at + 1 :]
        numbers = [run for run, _ in stream]
        holes = [(before + 1, after - 1) for before, after in pairwise(numbers) if after > before + 1]
        report = verify(folder)
        named = [f"run {first}" if first == last else f"runs {first} to {last}" for first, last in holes]
        assert [one.place for one in report.altered] == named
        assert report.verdict == ("broken" if holes else "consistent")


def _arguments(items: list) -> list[str]:
    """Arguments with their types (1 is not 1.0), which ``==`` does not see."""
    return [json.dumps(item.request.args, sort_keys=True) for item in items if isinstance(item, Command)]


def _identity(item: object) -> tuple[int, int]:
    if isinstance(item, tuple):
        return item[0], item[1][1][0]
    return item.run, item.input  # type: ignore[attr-defined]
