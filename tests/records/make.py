"""Makes the record of the format of today, for ``tests/integration/test_old_records.py``: once a format, then kept.

Called as: cd tests && python records/make.py. It writes ``records/<format>``: a sealed run, a
run that was killed, and what was in them as ``told.json``.
"""

import json
import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from brakewater.record.reader import Record
from brakewater.record.sealing.due import seal_due
from brakewater.record.segment import SCHEMA
from brokers import free_port, until
from daemons import SmallDevice, daemon, flat, serving, small_rig


def main() -> None:
    place = Path(__file__).parent / str(SCHEMA)
    assert not place.exists(), f"{place} is there already, and is what keeps older records readable: leave it"
    device = SmallDevice(free_port())
    with tempfile.TemporaryDirectory() as scratch, serving(device):
        record = Path(scratch) / "record"
        with daemon(small_rig(Path(scratch) / "rig.toml", device=device.port), record) as one:
            device.flow(0)
            until(lambda: one.states().get("aux.cooling-lost") == "unacknowledged")
            one.do("acknowledge", "aux.cooling-lost")
            one.kill()
            one.start()
            device.flow(90)
            until(lambda: "aux.cooling-lost" not in one.states())
            one.kill()
        (record / "cursors.sqlite3").unlink(missing_ok=True)
        assert not seal_due(record)
        for name in ("hot", "segments"):
            shutil.copytree(record / name, place / name, ignore=shutil.ignore_patterns("*-shm"))
    (place / "told.json").write_text(json.dumps(told(place), indent=1) + "\n")


def told(record: Path) -> dict[str, object]:
    found = Record(record)
    events = [one.event for one in found.events()]
    return {
        "inputs": len(flat(list(found.inputs()))),
        "events": [[one.run, one.input, one.n, one.alarm, one.was, one.now, one.actor] for one in events],
    }


if __name__ == "__main__":
    main()
