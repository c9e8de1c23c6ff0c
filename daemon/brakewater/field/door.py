"""What the running daemon answers when it is asked for raw words: the last sample's, and what stands around a point.

``{"ask": "probe"}``                     words, status, age, value and reason code of every point
``{"ask": "probe", "read": {...}}``      one read of a place (see ``place``), between two polls
``{"ask": "probe", "around": {...}}``    cells around a place, likewise
"""

import hashlib
from collections.abc import AsyncIterator, Callable, Mapping
from typing import Any, Final

import numpy as np

from brakewater.field.frames import Answer, Read
from brakewater.field.hypothesis import Cells
from brakewater.field.link import Link
from brakewater.field.probe import around
from brakewater.rig import SELF, Device, Point, Rig, Table
from brakewater.stream import Picture, Sample, Source

_LONGEST: Final = 4
_MEND: Final = "as the running daemon's rig file has them; let it take the changed file (brakewater reload), or stop it"


def definition_hash(point: Point, device: Device) -> str:
    """Equal where two rig files mean the same by a point, read from the same unit on the same line."""
    return hashlib.sha256(repr((point.definition, device.line, device.unit)).encode()).hexdigest()[:16]


def place(point: Point, device: Device) -> dict[str, Any]:
    """Where a point is read, for a question."""
    return {
        "device": device.name,
        "line": device.line,
        "unit": device.unit,
        "table": point.table.value,
        "address": point.address,
        "count": point.count,
    }


class Tap:
    """A source that keeps the last sample it gave."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.last: Sample | None = None
        self.count = 0
        """Samples so far."""

    async def samples(self) -> AsyncIterator[Sample]:
        """As the source gives them."""
        async for sample in self._source.samples():
            self.last = sample
            self.count += 1
            yield sample


class ProbeDoor:
    """Answers ``probe`` for a rig that is being watched. It only reads."""

    def __init__(self, rig: Rig, tap: Tap, links: Mapping[str, Link], picture: Callable[[], Picture | None]) -> None:
        self._rig, self._tap, self._links, self._picture = rig, tap, links, picture

    async def answer(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        """The answer to one question."""
        if "around" not in asked and "read" not in asked:
            return self._sample()
        try:
            device, read = self._place(asked.get("around") or asked["read"])
        except (KeyError, TypeError, ValueError):
            return {
                "ok": False,
                "says": f'a place is {{"device", "line", "unit", "table", "address", "count"}}: {_MEND}',
            }
        link = self._links[device.name]

        async def ask(one: Read) -> Answer:
            return await link.read(one, device.timeout / 1e9)

        if "around" in asked:
            return {"ok": True, "around": cells_document(await around(ask, device, read.table, read.address))}
        answer = await ask(read)
        return {
            "ok": True,
            "status": answer.status,
            "words": list(answer.words),
            "answer_s": (answer.answered_ns - answer.sent_ns) / 1e9,
        }

    def _place(self, asked: Mapping[str, Any]) -> tuple[Device, Read]:
        """Only a device that is watched, and no more than the longest number takes."""
        device = next((one for one in self._rig.devices if one.name == asked["device"]), None)
        if device is None or (device.line, device.unit) != (asked["line"], asked["unit"]):
            raise ValueError(asked)
        count = min(int(asked["count"]), _LONGEST)
        read = Read(unit=device.unit, table=Table(asked["table"]), address=int(asked["address"]), count=count)
        if device.has_hole(read.table, read.address, read.count):
            raise ValueError(asked)
        return device, read

    def _sample(self) -> dict[str, Any]:
        sample, picture = self._tap.last, self._picture()
        if sample is None or picture is None:
            return {"ok": False, "says": "no scan yet; ask again"}
        words = np.frombuffer(sample.words, "<u2").tolist()
        devices = {device.name: device for device in self._rig.devices}
        points = {}
        for slot in self._rig.slots:
            point = slot.point
            if point.device == SELF:
                continue
            value, code = picture.readings.get(point.name, (0.0, 0))
            points[point.name] = {
                "definition": definition_hash(point, devices[point.device]),
                "words": words[slot.column : slot.column + point.count],
                "status": sample.status[slot.index],
                "detail": self._trouble(devices[point.device]) if sample.status[slot.index] else "",
                "age_s": sample.age_ns[slot.group] / 1e9,
                "value": value,
                "code": code,
            }
        return {"ok": True, "rig": self._rig.name, "scan": self._tap.count, "points": points}

    def _trouble(self, device: Device) -> str:
        return self._links[device.name].asked(device.unit).trouble


def cells_document(cells: Cells) -> list[dict[str, Any]]:
    """Cells as JSON."""
    return [
        {"unit": unit, "table": table.value, "addresses": list(held), "words": list(held.values())}
        for (unit, table), held in cells.items()
    ]


def cells_of(document: list[dict[str, Any]]) -> Cells:
    """And back."""
    return {
        (one["unit"], Table(one["table"])): dict(zip(one["addresses"], one["words"], strict=True)) for one in document
    }
