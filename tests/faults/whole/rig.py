"""The rig of the soak: a brake on a device that plays faults, a serial one, and a foreign one that is killed.

Every word tells where it stands and which request it answers, so that no wrong or old one can pass for right. Odd
addresses hold the number of the request in the answer; on the scripted devices even ones hold what follows from that
number alone: a trip's water, with a few seconds dry and a while low in every ``CYCLE`` requests. A read has at least
the ten registers that the bad answers of ``cases.py`` are made for.
"""

from pathlib import Path
from typing import Final

from brokers import HOST

SCAN_MS: Final = 200
CYCLE: Final = 500
_DRY, _LOW = range(200, 230), range(350, 400)
FLOW: Final = "aux-flow"

TEXT = """schema = 1

[rig]
name = "rig-4"
pad = "ninebark-2"
scan = "{scan} ms"

[[device]]
name = "plc1"
host = "{host}"
port = {tcp}
unit = 5
timeout = "150 ms"
gap = 20

[[device]]
name = "rio1"
transport = "rtu"
serial = "{line}"
parity = "none"
unit = 5
timeout = "100 ms"
turnaround = "600 ms"
gap = 20

[[device]]
name = "far1"
host = "{host}"
port = {foreign}
unit = 5
timeout = "150 ms"

[[point]]
name = "ambient-temperature"
role = "ambient-temperature"
device = "rio1"
table = "input"
address = 14
type = "uint16"
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 degC", "100 degC"] }}

[[point]]
name = "rio1-count"
role = "heartbeat"
device = "rio1"
table = "input"
address = 25
type = "uint16"
signal = {{ kind = "direct", unit = "1" }}

[[point]]
name = "hook-load"
role = "hook-load"
device = "far1"
table = "holding"
address = 120
type = "uint16"
signal = {{ kind = "direct", unit = "klbf" }}

[[point]]
name = "far1-count"
role = "heartbeat"
device = "far1"
table = "holding"
address = 121
type = "uint16"
signal = {{ kind = "direct", unit = "1" }}

[[point]]
name = "aux-count"
role = "heartbeat"
device = "plc1"
table = "input"
address = 11
type = "uint16"
signal = {{ kind = "direct", unit = "1" }}

[[brake]]
name = "aux"
least-flow = "75 gal/min"
bearing-level = "600 mm"

[[brake.alarm]]
alarm = "cooling-flow-low"
on-delay = "1 s"
off-delay = "1 s"

[[brake.point]]
name = "aux-flow"
role = "inlet-flow"
device = "plc1"
table = "input"
address = 0
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 gal/min", "100 gal/min"] }}

[[brake.point]]
name = "aux-inlet"
role = "inlet-temperature"
device = "plc1"
table = "input"
address = 2
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 degC", "100 degC"] }}

[[brake.point]]
name = "aux-outlet"
role = "outlet-temperature"
device = "plc1"
table = "input"
address = 4
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 degC", "100 degC"] }}

[[brake.point]]
name = "aux-level"
role = "brake-level"
device = "plc1"
table = "input"
address = 6
signal = {{ kind = "linear", raw = [0, 1000], range = ["0 mm", "1000 mm"] }}

[[lamp]]
name = "cooling"
alarms = ["cooling-lost", "cooling-flow-low"]
colour = "red"

[mqtt]
host = "{host}"
port = {broker}

[mirror.base]
url = "{mirror}"
every = "{every:g} s"
"""

MIRRORED: Final = {
    ("rig", "rio1-count"): "rio1_count",
    ("rig", "far1-count"): "far1_count",
    ("rig", "aux-count"): "aux_count",
}
"""Fields of the points that the demo rig does not have."""
COUNTS: Final = {"plc1": "aux-count", "rio1": "rio1-count", "far1": "far1-count"}
"""Device -> its point with the number of the request."""


def rig_file(file: Path, *, tcp: int, line: Path, foreign: int, broker: int, mirror: str, every_s: float) -> Path:
    """Write it."""
    file.write_text(
        TEXT.format(
            scan=SCAN_MS, host=HOST, tcp=tcp, line=line, foreign=foreign, broker=broker, mirror=mirror, every=every_s
        )
    )
    return file


def shown(address: int, number: int) -> int:
    """Word of a scripted device at an address in the answer to a request of this number."""
    number &= 0xFFFF
    if address % 2:
        return number
    at = number % CYCLE
    match address:
        case 0:
            return 0 if at in _DRY else (600 if at in _LOW else 900) + number % 7
        case 2:
            return 250 + number % 3
        case 4:
            return 400 + number % 5
        case 6:
            return 300 + number % 4
    return address


def is_dry(word: int) -> bool:
    """Whether a flow is none at all."""
    return word == 0


def is_plenty(word: int) -> bool:
    """Whether a flow is so large that no loss can be told of it."""
    return word >= 600
