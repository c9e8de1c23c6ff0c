"""Whether this computer runs on mains, as Linux tells it.

Files of the ``power_supply`` class, as described in the kernel's Documentation/ABI/testing/sysfs-class-power.
"""

from pathlib import Path
from time import monotonic
from typing import Final

FOLDER: Final = Path("/sys/class/power_supply")
_HOLDS_S: Final = 1.0
"""So often it is looked at: each look opens files."""
_SUPPLIES: Final = frozenset({"Mains", "USB", "Wireless"})


class Power:
    """Looked at once a second at most."""

    def __init__(self, folder: Path = FOLDER) -> None:
        """``folder``: where the kernel shows its supplies."""
        self._folder = folder
        self._until_s, self._mains = -1.0, False

    def mains(self) -> int:
        """1 with a supply on line, or none but batteries (a UPS shows as one) of which none runs down; else 0.

        Where nothing can be seen it is 0: asked for, and not there.
        """
        if monotonic() >= self._until_s:
            self._until_s, self._mains = monotonic() + _HOLDS_S, _on_mains(self._folder)
        return int(self._mains)


def _on_mains(folder: Path) -> bool:
    try:
        supplies = [one for one in folder.iterdir() if _word(one / "scope") != "Device"]  # not the battery of a mouse
    except OSError:
        return False
    kinds = {supply: _word(supply / "type") for supply in supplies}
    online = [_word(supply / "online") == "1" for supply, kind in kinds.items() if kind in _SUPPLIES]
    states = [_word(supply / "status") for supply, kind in kinds.items() if kind in ("Battery", "UPS")]
    if online:
        return any(online)
    return bool(states) and "Discharging" not in states and "Unknown" not in states and "" not in states


def _word(file: Path) -> str:
    try:
        return file.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return ""
