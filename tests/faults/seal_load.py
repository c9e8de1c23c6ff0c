"""Seals whatever is due, again and again, at the priority of whoever started it: the kills shall fall into its work.

Called as: python seal_load.py RECORD
"""

import sys
import time
from pathlib import Path

from brakewater.errors import StorageError
from brakewater.record.sealing import due


def main(folder: Path) -> None:
    due.PATIENCE_NS = 0  # a mirror that is behind is waited for a week; here that has gone by
    while True:
        try:
            due.seal_due(folder)
        except StorageError as error:  # not a folder yet
            print(error, file=sys.stderr)
        time.sleep(0.02)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
