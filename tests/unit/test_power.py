"""Mains and battery as the kernel shows them in files."""

from pathlib import Path

import pytest

from brakewater.service.power import Power

MAINS = {"type": "Mains", "online": "1"}
OFF = {"type": "Mains", "online": "0"}
FULL = {"type": "Battery", "status": "Full", "scope": "System"}
EMPTYING = {"type": "Battery", "status": "Discharging"}
MOUSE = {"type": "Battery", "status": "Discharging", "scope": "Device"}


@pytest.mark.parametrize(
    ("supplies", "mains"),
    [
        ((MAINS,), 1),
        ((MAINS, EMPTYING), 1),  # a weak supply: it is there
        ((OFF, EMPTYING), 0),
        ((OFF, MAINS), 1),
        ((FULL,), 1),  # a UPS
        ((EMPTYING,), 0),
        ((FULL, MOUSE), 1),
        ((MOUSE,), 0),
        ((), 0),
        (({"type": "Battery"},), 0),
    ],
)
def test_mains_is_what_the_kernel_says(tmp_path: Path, supplies: tuple[dict[str, str], ...], mains: int) -> None:
    for number, files in enumerate(supplies):
        (tmp_path / f"supply{number}").mkdir()
        for name, word in files.items():
            (tmp_path / f"supply{number}" / name).write_text(f"{word}\n")
    assert Power(tmp_path).mains() == mains


def test_nothing_to_see_is_no_mains(tmp_path: Path) -> None:
    assert Power(tmp_path / "gone").mains() == 0
