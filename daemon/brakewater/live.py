"""The newest picture as one line of JSON, for processes beside the daemon that show it: codes and SI, nothing rendered.

Both directions stand here, so that a field added to ``stream.Picture`` travels by itself: whatever is no mapping of
values goes by its dataclass.
"""

import json
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import asdict, fields, is_dataclass
from functools import lru_cache
from typing import Any, Final, TypeGuard, cast

from pydantic import TypeAdapter, ValidationError

from brakewater.stream import Picture

_MOST_REMEMBERED: Final = 512
"""Alarms and substitutions whose text is kept: they seldom change from one scan to the next."""


@lru_cache(maxsize=_MOST_REMEMBERED)
def _text(one: Hashable) -> str:
    return json.dumps(asdict(cast("Any", one)))


def _is_record(value: object) -> TypeGuard[Hashable]:
    return is_dataclass(value) and not isinstance(value, type)


def _part(value: object) -> str:
    if isinstance(value, tuple):
        return f"[{','.join(_text(one) if _is_record(one) else json.dumps(one) for one in value)}]"
    if _is_record(value):
        return _text(value)
    return json.dumps(dict(value) if isinstance(value, Mapping) else value)  # the engine makes its values when asked


def text_of(picture: Picture) -> bytes:
    """One line of JSON, without its line end. ``derived`` is a list of ``[brake, quantity, value, code]``."""
    parts = {field.name: _part(getattr(picture, field.name)) for field in fields(picture) if field.name != "derived"}
    derived = [[brake, name, *seen] for (brake, name), seen in picture.derived.items()]
    parts["derived"] = json.dumps(derived)
    return f"{{{','.join(f'{json.dumps(name)}:{part}' for name, part in parts.items())}}}".encode()


@lru_cache(maxsize=1)
def _picture() -> TypeAdapter[Picture]:
    return TypeAdapter(Picture)  # takes milliseconds, and the daemon only writes


def _pairs(derived: Iterable[Any]) -> dict[tuple[str, str], tuple[float, int]]:
    return {(str(brake), str(name)): (float(value), int(code)) for brake, name, value, code in derived}


def picture_of(doc: Mapping[str, Any]) -> Picture:
    """The picture that ``text_of`` wrote.

    Raises:
        ValueError: the document is no picture's.
    """
    try:
        return _picture().validate_python({**doc, "derived": _pairs(doc["derived"])})
    except (ValidationError, KeyError, TypeError, ValueError) as error:
        raise ValueError(f"no picture: {error}") from error
