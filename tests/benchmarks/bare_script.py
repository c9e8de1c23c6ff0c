"""What anybody would write in an afternoon: read registers, hold them against limits, publish what changes, keep it.

It tells first and keeps afterwards, and asks the dead device last, so that neither holds up what it says.

python bare_script.py DEVICE-PORT DEAD-PORT BROKER-PORT SCAN-S JOURNAL
"""

import json
import sqlite3
import sys
import time

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from pymodbus.client import ModbusTcpClient

LIMITS = {
    "cooling-lost": (0, -5), "cooling-flow-low": (0, -75), "cooling-flow-high": (0, 110),
    "inlet-temperature-high": (1, 38), "outlet-temperature-high": (2, 71), "outlet-cold": (2, -1),
    "brake-level-high": (3, 450), "brake-level-low": (3, -10), "supply-pressure-low": (4, -34),
    "strainer-fouling": (5, 8), "frost-ahead": (6, -2), "tank-level-low": (7, -1000),
}  # fmt: skip
"""Alarm -> register, and its limit: below where negative."""


def main() -> None:
    device, dead, broker, scan_s = int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4])
    journal = sqlite3.connect(sys.argv[5], isolation_level=None)
    journal.execute("PRAGMA journal_mode=WAL")
    journal.execute("CREATE TABLE scans (t REAL, told TEXT)")
    mqtt = Client(CallbackAPIVersion.VERSION2, client_id="bare")
    mqtt.connect("127.0.0.1", broker)
    mqtt.loop_start()
    modbus, other = (ModbusTcpClient("127.0.0.1", port=port, retries=0) for port in (device, dead))
    modbus.connect()
    standing = dict.fromkeys(LIMITS, False)
    due = time.monotonic()
    while True:
        values, told = modbus.read_holding_registers(0, count=8, device_id=1).registers, []
        for alarm, (at, limit) in LIMITS.items():
            beyond = values[at] / 10 < -limit if limit < 0 else values[at] / 10 > limit
            if beyond != standing[alarm]:
                standing[alarm] = beyond
                body = {"alarm": alarm, "state": "active" if beyond else "normal", "value": values[at] / 10}
                mqtt.publish(f"bare/alarm/{alarm}", json.dumps(body), qos=1, retain=True)
                told.append(body)
        journal.execute(f"PRAGMA synchronous={'FULL' if told else 'NORMAL'}")
        journal.execute("INSERT INTO scans VALUES (?, ?)", (time.time(), json.dumps([values, told])))
        if other.connect():
            other.read_holding_registers(0, count=1, device_id=1)
        due += scan_s
        time.sleep(max(0.0, due - time.monotonic()))


main()
