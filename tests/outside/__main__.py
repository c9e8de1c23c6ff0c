"""Every outside table by one command, as ``bash tests/run.sh outside`` calls it.

python -m outside                     what is checked against which source, then every table held against the plant
python -m outside plan energy         only these tables
python -m outside sources             only the sources
"""

import os
import platform
import sys
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from multiprocessing import get_context

from brakewater import __version__
from outside.tables import TABLES, lines


def main() -> int:
    """Prints the tables that were asked for, in their order; as many at a time as there are processors."""
    names = sys.argv[1:] or list(TABLES)
    print(f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, Brakewater {__version__}, Python {platform.python_version()}")
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        for name, found in zip(names, pool.map(lines, names), strict=True):
            title = TABLES[name][1]
            print(f"\n{title}\n" + "-" * len(title))
            print("\n".join(found), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
