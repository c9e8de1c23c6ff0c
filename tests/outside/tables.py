"""The outside tables by name: a module that another process can import, as it cannot ``__main__`` of a package."""

import re
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from outside import ends, energy, forecasts, observer, plan

FOLDER = Path(__file__).parent
_WRAPPED = re.compile(r"\s*\n\s*#\s*")
_TEST = re.compile(r"^def test_", re.MULTILINE)
_SOURCE = re.compile(r"^\s*#\s*(Source: .*(?:\n\s*#\s+.*)*)", re.MULTILINE)


def sources() -> Iterator[str]:
    """File, then each source as it stands beside its check."""
    for file in sorted(FOLDER.glob("test_*.py")):
        text = file.read_text(encoding="utf-8")
        yield f"{file.name}: {len(_TEST.findall(text))} checks"
        yield from ("    " + _WRAPPED.sub(" ", one) for one in _SOURCE.findall(text))


TABLES: dict[str, tuple[Callable[[], Iterator[object]], str]] = {
    "sources": (sources, "What is checked against which source; pytest tests/outside runs it"),
    "plan": (plan.rows, "Plans against the simulator's finer plant (heat in kW, temperatures in degC)"),
    "ends": (ends.table, "Tank at the end of drawn trips, and peaks on the way, as planned before and as it came"),
    "energy": (energy.table, "Energy of trips: carried off + stored = put in, sensors off by draws from their classes"),
    **{
        f"forecasts-{limit}": (partial(forecasts.table, limit), f"Forecasts of the {limit} limit over drawn incidents")
        for limit in forecasts.LIMITS
    },
    "observer": (observer.table, "Rotor's temperature and its band; goals: cover 0.90 to 0.99, half/rise 0.15"),
}


def lines(name: str) -> list[str]:
    """Of one table, as a process of its own makes them."""
    return [str(row) for row in TABLES[name][0]()]
