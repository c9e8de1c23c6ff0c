"""What the log says of alarms and devices, one line a change: all that a person at the terminal of ``run`` has."""

import logging

from brakewater.alarms.lifecycle import State
from brakewater.render import alarm_now
from brakewater.rig import Device, Rig
from brakewater.stream import AlarmNow, Picture
from brakewater.units import utc_text

_log = logging.getLogger(__name__)


class AlarmTeller:
    """Says each alarm that does not stand as it last did, with the time of the scan or command that moved it."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._states: dict[tuple[str | None, str], str] = {}
        self._alarms: tuple[AlarmNow, ...] = ()

    def show(self, picture: Picture) -> None:
        """Tell what has changed since the last picture."""
        if picture.alarms is self._alarms:
            return
        self._alarms = picture.alarms
        for alarm in picture.alarms:
            key = (alarm.brake, alarm.alarm)
            if self._states.get(key, State.NORMAL) != alarm.state:
                name, text = alarm.key, alarm_now(self._rig, alarm)["text"]
                head = f"{utc_text(picture.utc_ns)} {alarm.priority.upper()}"
                _log.info("%s %s is %s: %s", head, name, alarm.state, text)
                self._states[key] = alarm.state


def _place(device: Device) -> str:
    return f"{device.name} at {device.line}"


class DeviceTeller:
    """Says once when a device is lost, and once when it is back."""

    def __init__(self, rig: Rig) -> None:
        self._places = {f"device-silent:{one.name}": _place(one) for one in rig.devices}
        self._lost: set[str] = set()
        self._alarms: tuple[AlarmNow, ...] = ()

    def show(self, picture: Picture) -> None:
        """Tell what has changed since the last picture."""
        if picture.alarms is self._alarms:
            return
        self._alarms = picture.alarms
        for alarm in picture.alarms:
            place = self._places.get(alarm.alarm)
            holds = alarm.active and alarm.test is None  # under a mask too
            if place is None or holds == (place in self._lost):
                continue
            if place in self._lost:
                self._lost.discard(place)
                _log.info("device %s answers", place)
            else:
                self._lost.add(place)
                _log.warning("device %s does not answer; trying on", place)
