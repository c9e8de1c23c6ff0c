"""Every outside table by one command, as ``bash tests/run.sh outside`` calls it.

python -m outside                     what is checked against which source, then every table held against the plant
python -m outside plan energy         only these tables
python -m outside sources             only the sources
"""

import os
import platform
import re
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path

from brakewater import __version__
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
    "forecasts": (forecasts.table, "Forecasts of limits over drawn incidents"),
    "observer": (observer.table, "Rotor's temperature and its band; goals: cover 0.90 to 0.99, half/rise 0.15"),
}


def _lines(name: str) -> list[str]:
    """A table in a process of its own."""
    return [str(row) for row in TABLES[name][0]()]


def main() -> int:
    """Prints the tables that were asked for, in their order; as many at a time as there are processors."""
    names = sys.argv[1:] or list(TABLES)
    print(f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, Brakewater {__version__}, Python {platform.python_version()}")
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        for name, lines in zip(names, pool.map(_lines, names), strict=True):
            title = TABLES[name][1]
            print(f"\n{title}\n" + "-" * len(title))
            print("\n".join(lines), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
