"""Every text of the pages is told from what it stands on, by day and by night, also where no test sees it lit."""

import re

import pytest

from brakewater.panel.page_files import STATIC

ON = (
    ("text", "ground"), ("text", "card"), ("text", "off"), ("soft", "ground"), ("soft", "card"), ("soft", "off"),
    ("red-text", "red"), ("yellow-text", "yellow"), ("blue-text", "blue"), ("white-text", "white"),
    ("good", "ground"), ("bad", "ground"), ("other", "card"),
    ("mark", "ground"), ("ground", "soft"), ("ground", "mark"),
)  # fmt: skip
"""Names of colours: of letters, and of what is behind them."""
LEAST = 4.5
"""WCAG 2.2, success criterion 1.4.3, of letters that are not large (from memory)."""


def lights() -> dict[str, dict[str, str]]:
    """The colours of ``common.css`` by day and night."""
    text = (STATIC / "common.css").read_text(encoding="utf-8")
    day, night = re.match(r"(:root \{.*?\}).*?(\[data-light=\"night\"\] \{.*?\})", text, re.DOTALL).groups()  # type: ignore[union-attr]
    return {name: dict(re.findall(r"--([\w-]+): (#\w{6})", one)) for name, one in (("day", day), ("night", night))}


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("light", ["day", "night"])
@pytest.mark.parametrize(("letters", "behind"), ON)
def test_letters_are_told_from_what_is_behind_them(light: str, letters: str, behind: str) -> None:
    colours = lights()[light]
    darker, lighter = sorted(luminance(colours[name]) for name in (letters, behind))
    assert (lighter + 0.05) / (darker + 0.05) >= LEAST
