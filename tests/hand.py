"""A mechanic's hand on a phone: everything by taps and typing, counted, and what that takes by a published model.

Keystroke-level model: Card, Moran, Newell (1980), "The keystroke-level model for user performance time with interactive
systems", Communications of the ACM 23(7), 396-410. Operator times from memory of that paper: a keystroke of an average
non-secretary 0.28 s, of random letters or figures 0.50 s, of the worst typist, not used to the keyboard, 1.20 s; to
point at something 1.10 s; to make up one's mind 1.35 s. It was made for mouse and keys: a tap is counted as pointing
and pressing a button (0.20 s), which nobody has checked here for gloves. Sources for touch screens were not at hand.
"""

from dataclasses import dataclass, field

from playwright.sync_api import Locator, Page

LEAST_PX = 44
"""Of a target, for a finger: WCAG 2.2, success criterion 2.5.5 (from memory)."""
POINT_S, PRESS_S, MIND_S = 1.10, 0.20, 1.35
KEY_S = {"average, figures": 0.50, "worst typist": 1.20}


@dataclass
class Hand:
    """What was done so far."""

    page: Page
    taps: int = 0
    keys: int = 0
    minds: int = 0
    rows: list[tuple[str, int, int, int]] = field(default_factory=list)
    """Of each part that is over: its name, taps, keys and decisions."""

    def tap(self, what: Locator) -> None:
        """One tap, on something that a finger hits."""
        what.scroll_into_view_if_needed()
        box = what.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= LEAST_PX, f"{box} of {what}"
        what.tap()
        self.taps += 1
        self.minds += 1

    def type(self, text: str, *, enter: bool = False) -> None:
        """What is read off the clipboard, key by key; with Enter to the next place."""
        if text:
            self.minds += 1
        self.page.keyboard.type(text)
        self.keys += len(text)
        if enter:
            self.page.keyboard.press("Enter")
            self.keys += 1

    def over(self, name: str) -> None:
        """A part of the work is over."""
        before = [sum(row[at] for row in self.rows) for at in (1, 2, 3)]
        self.rows.append((name, self.taps - before[0], self.keys - before[1], self.minds - before[2]))

    def seconds(self, key_s: float) -> float:
        """By the model."""
        return self.taps * (POINT_S + PRESS_S) + self.keys * key_s + self.minds * MIND_S

    def table(self) -> list[str]:
        """Part by part, and all of it."""
        lines = [f"{'part':<26}{'taps':>6}{'keys':>6}{'decisions':>11}"]
        lines += [f"{name:<26}{taps:>6}{keys:>6}{minds:>11}" for name, taps, keys, minds in self.rows]
        lines.append(f"{'all':<26}{self.taps:>6}{self.keys:>6}{self.minds:>11}")
        return [*lines, *(f"{how}: {self.seconds(key_s):.0f} s" for how, key_s in KEY_S.items())]
