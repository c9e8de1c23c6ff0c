"""Seals whatever is due, again and again, at the priority of whoever started it: the kills shall fall into its work.

Called as: python seal_load.py RECORD
"""

import sys
import time
from pathlib import Path

from brakewater.errors import StorageError
from brakewater.record.sealing.due import seal_due


def main(folder: Path) -> None:
    while True:
        try:
            seal_due(folder)
        except StorageError as error:  # not a folder yet
            print(error, file=sys.stderr)
        time.sleep(0.02)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
