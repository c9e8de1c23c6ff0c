"""One value of a rig file as a spreadsheet cell, and back without loss.

Text stands as it is: ``plc1``, ``0 gal/min``. Numbers, true and false, and dates stand as TOML writes them. A list of
such is joined by semicolons: ``0 ; 27648``. Whatever could be taken for something else stands as TOML writes it, with
its quotes or brackets. A spreadsheet's TRUE and FALSE are taken for true and false.
"""

import json
import re
import tomllib
from typing import Any, Final

_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_JOIN: Final = " ; "
_MARKS: Final = "\"'=+-@"
"""A text that begins with one of these stands in quotes: a spreadsheet would take it for a formula."""
_SPREADSHEET: Final = {"TRUE": True, "FALSE": False}


def toml(value: Any) -> str:
    """A value as TOML writes it, on one line."""
    match value:
        case str():
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case bool() | int() | float():
            return repr(value).lower()
        case list():
            return f"[{', '.join(map(toml, value))}]"
        case dict():
            inside = ", ".join(f"{key_text(key)} = {toml(one)}" for key, one in value.items())
            return f"{{ {inside} }}" if inside else "{}"
        case _:
            return str(value.isoformat())


def key_text(key: str) -> str:
    """A key as TOML writes it."""
    return key if _BARE.fullmatch(key) else toml(key)


def cell(value: Any) -> str:
    """A value as a cell."""
    if isinstance(value, list) and value and not any(isinstance(one, list | dict) for one in value):
        text = _JOIN.join(map(_scalar, value))
        return text if len(value) > 1 else f"{text} ;"
    return toml(value) if isinstance(value, list | dict) else _scalar(value)


def text_cell(text: str) -> str:
    """A text as a cell of a column that holds nothing but text: plain, even where it looks like a number."""
    plain = text and text == text.strip() and text.isprintable() and text[0] not in _MARKS
    return text if plain else toml(text)


def text_value(cell_: str) -> str:
    """The text in such a cell."""
    cell_ = cell_.strip()
    found = _parsed(cell_) if cell_[:1] in ("'", '"') else None
    return found if isinstance(found, str) else cell_


def value(text: str) -> Any:
    """A cell's value; ``value(cell(x)) == x``, and of the same type."""
    text = text.strip()
    whole = _parsed(text)
    if whole is not None:
        return whole
    if ";" in text:
        parts = [part.strip() for part in _split(text)]
        return [_single(part) for part in (parts[:-1] if len(parts) > 1 and not parts[-1] else parts)]
    return _single(text)


def _scalar(value_: Any) -> str:
    if not isinstance(value_, str):
        return toml(value_)
    plain = text_cell(value_) == value_ and ";" not in value_ and _single(value_) == value_
    return value_ if plain else toml(value_)


def _single(text: str) -> Any:
    found = _parsed(text)
    return text if found is None else found


def _parsed(text: str) -> Any:
    """What TOML makes of a text; None where it is nothing to TOML."""
    if text in _SPREADSHEET:
        return _SPREADSHEET[text]
    try:
        found = tomllib.loads(f"v = {text}")
    except (ValueError, RecursionError):
        return None
    return found["v"] if list(found) == ["v"] else None


def _split(text: str) -> list[str]:
    """At semicolons that stand in no quotes."""
    parts, quote, at = [""], "", 0
    while at < len(text):
        sign = text[at]
        if quote == '"' and sign == "\\":
            parts[-1] += text[at : at + 2]
            at += 2
            continue
        if sign in "\"'" and quote in ("", sign) and (quote or not parts[-1].strip()):
            quote = "" if quote else sign
        if sign == ";" and not quote:
            parts.append("")
        else:
            parts[-1] += sign
        at += 1
    return parts
