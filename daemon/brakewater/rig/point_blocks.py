"""Where the point tables stand in the text of a rig file, and how one is rewritten with its comments kept."""

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from brakewater.rig.cells import key_text, toml

_HEADER: Final = re.compile(r"^\s*(\[\[?)\s*([^\]\[]+?)\s*\]\]?\s*(?:#.*)?$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Lines from a table's header to its last key; comments and blank lines before the next header are not in it."""

    table: str
    """``point``, ``brake``, ``brake.point``, ``tank`` and so on."""
    brake: int | None
    """Which brake it belongs to, from 0."""
    first: int
    """Its first line, from 0."""
    end: int
    """The line after its last."""

    @property
    def is_point(self) -> bool:
        """One whole point."""
        return self.table in ("point", "brake.point")


def blocks(lines: Sequence[str]) -> list[Block]:
    """Every table of a rig file in its order; sub-tables of a point are part of it."""
    found: list[Block] = []
    brake = -1
    for first, end, name in _tables(lines):
        if name == "brake":
            brake += 1
        if found and found[-1].is_point and name.startswith(found[-1].table + "."):
            last = found.pop()
            found.append(Block(table=last.table, brake=last.brake, first=last.first, end=end))
            continue
        inside = brake if name.split(".")[0] == "brake" else None
        found.append(Block(table=name, brake=inside, first=first, end=end))
    return found


def _tables(lines: Sequence[str]) -> Iterator[tuple[int, int, str]]:
    starts: list[tuple[int, str]] = []
    fence = ""
    for number, line in enumerate(lines):
        if fence:
            fence = "" if fence in line else fence
        elif header := _HEADER.match(line):
            starts.append((number, re.sub(r"\s*\.\s*", ".", header.group(2)).replace('"', "").replace("'", "")))
        else:
            fence = next((mark for mark in ('"""', "'''") if line.count(mark) % 2), "")
    for (first, name), after in zip(starts, [*(one for one, _ in starts[1:]), len(lines)], strict=True):
        end = after
        while end > first + 1 and (not lines[end - 1].strip() or lines[end - 1].lstrip().startswith("#")):
            end -= 1
        yield first, end, name


def new_block(table: str, keys: Mapping[str, Any]) -> list[str]:
    """Lines of a new point."""
    return [f"[[{table}]]", *(f"{key_text(key)} = {toml(value)}" for key, value in keys.items())]


def changed(lines: Sequence[str], before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Lines of a point whose keys changed: what is as before stays as it was written, comments stay too."""
    if same(before, after):
        return list(lines)
    head, *body = lines
    made, written = [head], set()
    for line in body:
        key = _lone_key(line)
        if key is None:
            if line.strip() and not line.lstrip().startswith("#"):
                return _anew(lines, after)
            made.append(line)
        elif key in after:
            written.add(key)
            kept = key in before and same(before[key], after[key])
            made.append(line if kept else _with_value(line, key, after[key]))
    return made + [f"{key_text(key)} = {toml(one)}" for key, one in after.items() if key not in written]


def _anew(lines: Sequence[str], after: Mapping[str, Any]) -> list[str]:
    """Where its keys do not stand each on a line of its own: written anew under its header and comments."""
    comments = [line for line in lines[1:] if line.lstrip().startswith("#")]
    return [lines[0], *comments, *new_block("", after)[1:]]


def _lone_key(line: str) -> str | None:
    """The key of a line that is one whole ``key = value``."""
    try:
        found = tomllib.loads(line)
    except tomllib.TOMLDecodeError:
        return None
    if len(found) != 1:
        return None
    (key,) = found
    return key if re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line) else None


def _with_value(line: str, key: str, value: Any) -> str:
    indent = line[: len(line) - len(line.lstrip())]
    return f"{indent}{key_text(key)} = {toml(value)}{_comment(line)}"


def _comment(line: str) -> str:
    """The comment at the end of a line with the blanks before it; a # in quotes begins none."""
    for at, sign in enumerate(line):
        if sign == "#":
            try:
                tomllib.loads(line[:at])
            except tomllib.TOMLDecodeError:
                continue
            start = len(line[:at].rstrip())
            return line[start:]
    return ""


def same(one: Any, other: Any) -> bool:
    """Equal in value and type, so that 1 and 1.0 and true differ; the order of keys does not matter."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    return toml(one) == toml(other)
