"""A rig that keeps an upkeep book, and an engine beside its stream, for the tests of the book."""

import streams
from brakewater.engine import Engine
from brakewater.stream import Answer, Block, Picture, RoundNow

TEXT = (
    streams.demo().text
    + """
[upkeep]
[[upkeep.round]]
round = "grease"
hours = "2 min"
[[upkeep.round]]
round = "strainer"
days = "5 min"
[[upkeep.round]]
round = "lamps"
what = "Look at every lamp."
trips = 2
"""
)
RIG = streams.parse(TEXT)


class Watch:
    """An engine and where its stream stands."""

    def __init__(self, rig: streams.Rig = RIG) -> None:
        self.rig, self.engine, self.number, self.t_ns, self.asked = rig, Engine(), 0, 0, 0
        self.items: list[streams.Input] = []
        self.feed(streams.start(rig))
        self.last: Block | None = None

    def feed(self, item: streams.Input) -> tuple[Answer, ...]:
        self.items.append(item)
        return self.engine.feed(item).answers

    def run(self, seconds: float, **values: float) -> None:
        n = round(seconds * 1e9 / self.rig.scan_ns)
        at = {name.replace("_", "-"): value for name, value in values.items()}
        block = streams.scans(self.rig, n, first=self.number + 1, t0=self.t_ns + self.rig.scan_ns, values=at)
        self.number, self.t_ns, self.last = int(block.input[-1]), int(block.t_ns[-1]), block
        self.feed(block)

    def later(self, seconds: float) -> None:
        self.t_ns += round(seconds * 1e9)
        self.run(2)

    def do(self, verb: str, actor: str = "mechanic", **args: object) -> Answer:
        assert self.last is not None
        self.asked += 1
        if self.items and not isinstance(self.items[-1], Block):
            self.run(1)
        answers = self.feed(streams.command(self.last, verb, key=f"k{self.asked}", actor=actor, **args))
        self.number += 1
        return answers[0]

    def picture(self) -> Picture:
        return self.engine.picture()

    def round(self, name: str) -> RoundNow:
        self.engine._book_now = None
        book = self.engine.book()
        assert book is not None
        return next(one for one in book.rounds if one.round == name)

    def state(self, alarm: str) -> str:
        return next(one.state for one in self.picture().alarms if one.alarm == alarm)
