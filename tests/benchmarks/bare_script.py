"""What anybody would write in an afternoon: read twelve registers, hold them against limits, publish what changes.

python bare_script.py DEVICE-PORT BROKER-PORT SCAN-S
"""

import json
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
    device, broker, scan_s = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])
    mqtt = Client(CallbackAPIVersion.VERSION2, client_id="bare")
    mqtt.connect("127.0.0.1", broker)
    mqtt.loop_start()
    modbus = ModbusTcpClient("127.0.0.1", port=device)
    modbus.connect()
    standing = dict.fromkeys(LIMITS, False)
    due = time.monotonic()
    while True:
        values = modbus.read_holding_registers(0, count=8, device_id=1).registers
        for alarm, (at, limit) in LIMITS.items():
            beyond = values[at] / 10 < -limit if limit < 0 else values[at] / 10 > limit
            if beyond != standing[alarm]:
                standing[alarm] = beyond
                body = {"alarm": alarm, "state": "active" if beyond else "normal", "value": values[at] / 10}
                mqtt.publish(f"bare/alarm/{alarm}", json.dumps(body), qos=1, retain=True)
        due += scan_s
        time.sleep(max(0.0, due - time.monotonic()))


main()
