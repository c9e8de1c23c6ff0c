"""Where in a TOML text each key stands, so that an error can name its line.

The standard parser keeps no places, so the text is read a second time for table headers and keys alone. A key inside
an inline table or an array counts as standing on the line of the key that holds it.
"""

import re
from typing import Any

Path = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")


class Lines:
    """Line numbers by path, for example ``("brake", 0, "point", 2, "address")``."""

    def __init__(self, text: str) -> None:
        self._at: dict[Path, int] = {(): 1}
        self._sizes: dict[Path, int] = {}
        table: Path = ()
        fence = ""
        for number, line in enumerate(text.split("\n"), 1):
            if fence:
                fence = "" if fence in line else fence
                continue
            if header := _HEADER.match(line):
                table = self._open(header.group(1) == "[[", _parts(header.group(2)), number)
            elif key := _KEY.match(line):
                self._at.setdefault((*table, *_parts(key.group(1))), number)
                fence = _opened(line)

    def _open(self, many: bool, parts: list[str], number: int) -> Path:  # noqa: FBT001 - what the brackets say
        path: Path = ()
        for index, part in enumerate(parts):
            path = (*path, part)
            last = index == len(parts) - 1
            if last and many:
                self._sizes[path] = self._sizes.get(path, 0) + 1
            if path in self._sizes:
                path = (*path, self._sizes[path] - 1)
        self._at.setdefault(path, number)
        return path

    def of(self, path: tuple[Any, ...]) -> int:
        """The line of a key, or of the nearest thing above it."""
        while path not in self._at:
            path = path[:-1]
        return self._at[path]


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(dotted)]


def _opened(line: str) -> str:
    """The fence of a multi-line string that a line leaves open, or nothing."""
    for fence in ('"""', "'''"):
        if line.count(fence) % 2:
            return fence
    return ""


def shown(path: tuple[Any, ...]) -> str:
    """A path as people read it: ``brake[0].point[2].address``."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text or "(file)"
