"""How a command reaches the devices: through the running daemon where there is one, else over lines of its own."""

import asyncio
import sys
from collections.abc import Sequence
from pathlib import Path
from time import monotonic, sleep
from typing import TYPE_CHECKING, Any, Final, Protocol

if TYPE_CHECKING:
    from brakewater.field.hypothesis import Cells
    from brakewater.field.seen import Seen
    from brakewater.rig import Point, Rig

_NEW_SAMPLE_S: Final = 10.0
_LOOK_S: Final = 0.02


class Reach(Protocol):
    """Reads points and what stands around them."""

    through: str
    """For people: by which way."""
    watches: bool
    """Whether what is read is watched, so that alarms come of it."""

    def scan(self, points: "Sequence[Point]") -> "list[Seen]":
        """One fresh reading of each point."""
        ...

    def around(self, point: "Point", units: Sequence[int] = ()) -> "Cells":
        """Cells around a point."""
        ...

    def reading(self, point: "Point", since: float | None) -> "Seen":
        """One fresh reading of a point; with a monotonic time, s, one that was taken after it."""
        ...

    def begin_check(self, point: "Point", by: str, minutes: float, *, take_over: bool) -> None:
        """Tell the watch that what the point shows is injected."""
        ...

    def checks(self, point: "Point") -> bool:
        """Whether the watch still takes what the point shows for injected."""
        ...

    def end_check(self, point: "Point") -> str:
        """Tell the watch that it is measured again; what it says to that."""
        ...

    def close(self) -> None:
        """Hang up."""
        ...


class OwnReach:
    """Lines of its own."""

    through = "own lines"
    watches = False

    def __init__(self, rig: "Rig") -> None:
        from brakewater.field.probe import OwnLines  # noqa: PLC0415 - only when needed

        self._runner = asyncio.Runner()
        self._lines = OwnLines(rig)
        self._scan_s, self._read_s = rig.scan_ns / 1e9, 0.0

    def scan(self, points: "Sequence[Point]") -> "list[Seen]":
        """One reading of each point."""
        return self._runner.run(self._lines.scan(points))

    def around(self, point: "Point", units: Sequence[int] = ()) -> "Cells":
        """Cells around a point."""
        return self._runner.run(self._lines.around(point, units))

    def reading(self, point: "Point", since: float | None) -> "Seen":
        """Read now, or a scan after the one before: readings at once would not show that it still moves."""
        if since is None:
            sleep(max(0.0, self._read_s + self._scan_s - monotonic()))
        self._read_s = monotonic()
        return self.scan([point])[0]

    def begin_check(self, point: "Point", by: str, minutes: float, *, take_over: bool) -> None:
        """Nobody watches."""

    def checks(self, point: "Point") -> bool:
        """Nobody takes it for anything."""
        del point
        return True

    def end_check(self, point: "Point") -> str:
        """Nobody watched."""
        return f"{point.name} was read over own lines: no watch was told of the check"

    def close(self) -> None:
        """Hang up."""
        self._runner.run(self._lines.close())
        self._runner.close()


class DaemonReach:
    """The running daemon's lines: its last sample, and reads between its polls of what it watches in another way.

    Raises:
        DeviceError: the daemon stopped answering, or reaches the device in another way than this rig file.
    """

    watches = True

    def __init__(self, rig: "Rig", folder: Path) -> None:
        self._devices = {device.name: device for device in rig.devices}
        self._scan_s = rig.scan_ns / 1e9
        self._ages: dict[str, float] = {}
        self.through = f"the running daemon ({folder})"
        self._folder = folder
        self._scan = -1
        self._answers: dict[str, int] = {}
        self._failures: dict[str, int] = {}

    def _ask(self, what: dict[str, Any]) -> dict[str, Any]:
        from brakewater.control import ask  # noqa: PLC0415 - only when needed

        return ask(self._folder, what)

    def _fresh(self) -> dict[str, Any]:
        from brakewater.errors import DeviceError  # noqa: PLC0415

        until = monotonic() + _NEW_SAMPLE_S
        while True:
            found = self._ask({"ask": "probe"})
            if found.get("ok") and found["scan"] != self._scan:
                self._scan = found["scan"]
                return found
            if monotonic() > until:
                says = found.get("says", "no new scan")
                raise DeviceError(f"{self._folder}: the daemon gives no scan ({says}); see brakewater status")
            sleep(_LOOK_S)

    def scan(self, points: "Sequence[Point]") -> "list[Seen]":
        """The newest sample, each call a newer one."""
        from brakewater.rig import SELF  # noqa: PLC0415

        held = self._fresh()["points"]
        return [self._seen(point, held.get(point.name)) for point in points if point.device != SELF]

    def _seen(self, point: "Point", held: dict[str, Any] | None) -> "Seen":
        from brakewater.field.door import definition_hash, place  # noqa: PLC0415
        from brakewater.field.seen import Seen  # noqa: PLC0415
        from brakewater.quality import Status  # noqa: PLC0415

        device = self._devices[point.device]
        same = held is not None and held["definition"] == definition_hash(point, device)
        found = held if same and held else self._place("read", place(point, device))
        answered = found["status"] == Status.OK
        counts = self._answers if answered else self._failures
        counts[point.name] = counts.get(point.name, 0) + 1
        return Seen(
            point=point,
            words=tuple(found["words"]) if answered else (),
            status=found["status"],
            detail=found.get("detail", ""),
            answer_s=found.get("answer_s"),
            age_s=found.get("age_s"),
            answers=self._answers.get(point.name, 0),
            failures=self._failures.get(point.name, 0),
            judged=(found["value"], found["code"]) if same else None,
        )

    def _place(self, what: str, where: dict[str, Any]) -> dict[str, Any]:
        from brakewater.errors import DeviceError  # noqa: PLC0415

        found = self._ask({"ask": "probe", what: where})
        if not found.get("ok"):
            raise DeviceError(f"{self._folder}: {where['device']}: {found.get('says')}")
        return found

    def around(self, point: "Point", units: Sequence[int] = ()) -> "Cells":
        """Cells around a point, read between two polls."""
        from brakewater.errors import DeviceError  # noqa: PLC0415
        from brakewater.field.door import cells_of, place  # noqa: PLC0415

        if units:
            raise DeviceError("--units asks units that may not exist, and the watch would wait for them: stop it first")
        return cells_of(self._place("around", place(point, self._devices[point.device]))["around"])

    def reading(self, point: "Point", since: float | None) -> "Seen":
        """The next sample of a point: of one that is read every few scans, not the same again.

        Args:
            point: which.
            since: monotonic time after which it must have been taken, s; None: any that is newer than the last.

        Raises:
            DeviceError: none came.
        """
        from brakewater.errors import DeviceError  # noqa: PLC0415
        from brakewater.quality import Status  # noqa: PLC0415

        until = monotonic() + _NEW_SAMPLE_S + 2 * point.every * self._scan_s
        while True:
            (seen,) = self.scan([point])
            before, age_s = self._ages.get(point.name), seen.age_s
            if age_s is None or seen.status != Status.OK:
                return seen  # read just now, or a failure, which is as good as the next
            self._ages[point.name] = age_s
            if since is not None:  # the scan itself may be as old as the time between two
                is_new = age_s + self._scan_s <= monotonic() - since
            else:
                is_new = point.every == 1 or before is None or age_s <= before
            if is_new:
                return seen
            if monotonic() > until:
                raise DeviceError(f"{point.name}: the daemon gives no newer reading of it; see brakewater status")

    def begin_check(self, point: "Point", by: str, minutes: float, *, take_over: bool) -> None:
        """The point counts as under function check, for so long at most; its alarms say so.

        Raises:
            DeviceError: the watch refuses, for example because the point is substituted, or somebody else checks it.
        """
        from brakewater.errors import DeviceError  # noqa: PLC0415

        other = self._check_of(point)
        if other is not None and not take_over:
            raise DeviceError(
                f"{point.name} is under function check by {other['actor']} until {other['until']} already"
                f" ({other['reason']}): two checks would end each other. If nobody is at it any more, --take-over"
            )
        held = {"do": "check-begin", "point": point.name, "reason": f"loop check by {by}", "minutes": minutes}
        answer = self._ask(held)
        print(answer.get("says"), file=sys.stderr)
        if not answer.get("ok"):
            raise DeviceError(f"{point.name}: the watch does not let it be checked: {answer.get('says')}")

    def _check_of(self, point: "Point") -> dict[str, Any] | None:
        held = self._ask({"ask": "status"}).get("by_hand", [])
        return next((one for one in held if one["point"] == point.name and one["what"] == "function-check"), None)

    def checks(self, point: "Point") -> bool:
        """Whether the watch still takes what the point shows for injected."""
        return self._check_of(point) is not None

    def end_check(self, point: "Point") -> str:
        """Measured again; where that cannot be said, the check ends by itself."""
        from brakewater.errors import DeviceError  # noqa: PLC0415

        try:
            return str(self._ask({"do": "check-end", "point": point.name}).get("says"))
        except DeviceError as error:
            return f"the function check of {point.name} could not be ended: {error}"

    def close(self) -> None:
        """Nothing is open."""


def reach(rig: "Rig", folder: Path) -> Reach:
    """Through the daemon on a record folder where one watches this rig, else lines of our own; says so on stderr."""
    from brakewater.control import SOCKET, RefusedError, ask  # noqa: PLC0415 - only when needed
    from brakewater.errors import DeviceError  # noqa: PLC0415

    if (folder / SOCKET).exists():
        try:
            watched = ask(folder, {"ask": "status"}, holding="rig")["rig"]
        except RefusedError:
            raise  # it watches: what is injected beside it would raise alarms
        except DeviceError:
            watched = None  # a socket that a dead daemon left
        if watched == rig.name:
            return DaemonReach(rig, folder)
        if watched is not None:
            print(f"the daemon on {folder} watches {watched}, not {rig.name}: using own lines", file=sys.stderr)
    return OwnReach(rig)
