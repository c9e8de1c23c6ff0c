"""The upkeep book on paper and in other programs: CSV out and in, a calendar of due rounds, a sheet for a clipboard."""

import csv
import hashlib
from collections.abc import Iterator, Mapping
from html import escape
from io import StringIO
from pathlib import Path
from typing import Any, Final

from brakewater.engine.book_commands import CARRIED
from brakewater.errors import StorageError
from brakewater.review.proofs import said
from brakewater.stream import Command
from brakewater.trips.rounds import GAP
from brakewater.units import utc_text
from brakewater.wording import ENGLISH, Wording
from brakewater.zoned import day_of, minute_of

HEAD: Final = (
    "entry",
    "entered",
    "done",
    "verb",
    "round",
    "actor",
    "values",
    "remark",
    "corrects",
    "void",
    "photo",
    "id",
)
_VERBS: Final = ("log-round", "change-part", "sign-book")
_DAY: Final = 10
_STYLE: Final = """
@page { margin: 15mm }
body { font: 12pt/1.4 system-ui, sans-serif; color: #111; background: #fff; max-width: 180mm; margin: 1em auto }
h1 { font-size: 16pt; margin: 0 } header { display: flex; justify-content: space-between; gap: 1em }
table { border-collapse: collapse; width: 100%; margin: 1em 0 } tr { page-break-inside: avoid }
th, td { border: 1px solid #777; padding: .5em; text-align: left; vertical-align: top } td.w { width: 40% }
svg { width: 32mm; height: 32mm } footer { font-size: 9pt; color: #444; margin-top: 2em }
.sign { display: flex; gap: 2em; margin-top: 3em } .sign div { flex: 1; border-top: 1px solid #111 }
"""


def entries(folder: Path, damage: list[str] | None = None) -> Iterator[dict[str, str]]:
    """Every entry that was sent, with all that was measured, from the record's commands; refused ones are there too.

    Args:
        folder: of the record.
        damage: gets what could not be read; None: that is an error.

    Raises:
        StorageError: a segment cannot be read.
    """
    for item in said(folder, damage):
        if isinstance(item, Command) and item.request.do in _VERBS:
            yield _row(item)


def _row(item: Command) -> dict[str, str]:
    args = item.request.args
    values: Any = args.get("values", {})
    photo = args.get("photo")
    if item.request.do == "change-part":
        values = {key: args[key] for key in ("brake", "part", "serial", *CARRIED) if key in args}
    if item.request.do == "sign-book":
        values = {"by": args["by"]} if "by" in args else {}
    entered = utc_text(item.utc_ns)
    return {
        "entry": f"{item.run}.{item.input}",
        "entered": entered,
        "done": str(args.get("at", entered)),
        "verb": item.request.do,
        "round": str(args.get("round", "")),
        "actor": item.request.actor,
        "values": "; ".join(f"{key}={value}" for key, value in values.items()) if isinstance(values, Mapping) else "",
        "remark": str(args.get("remark", "")),
        "corrects": str(args.get("corrects", "")),
        "void": "yes" if args.get("void") is True else "",
        "photo": " ".join(str(photo.get(key, "")) for key in ("name", "sha256")) if isinstance(photo, Mapping) else "",
        "id": item.request.id,
    }


def book_csv(folder: Path, damage: list[str] | None = None) -> str:
    """The whole book as CSV (RFC 4180): what a spreadsheet would take for a formula gets an apostrophe before it.

    ``damage`` as in ``entries``.
    """
    out = StringIO()
    rows = csv.DictWriter(out, HEAD)
    rows.writeheader()
    for row in entries(folder, damage):
        rows.writerow({key: f"'{text}" if text[:1] in tuple("=+-@\t") else text for key, text in row.items()})
    return out.getvalue()


def from_csv(text: str, name: str) -> list[dict[str, Any]]:
    """Commands that take rows of another book: ``round`` and ``done`` must be there, the rest may.

    A row without an id gets one of its content, so that the same list taken twice is entered once.

    Raises:
        StorageError: a row that is none; names file and line.
    """
    rows = csv.DictReader(StringIO(text))
    lacking = {"round", "done"} - set(rows.fieldnames or ())
    if lacking:
        raise StorageError(f"{name}:1: found no column {', '.join(sorted(lacking))}; allowed: {', '.join(HEAD)}")
    return [_command(row, f"{name}:{rows.line_num}") for row in rows if row.get("round") and not row.get("entry")]


def _command(row: Mapping[str, str | None], place: str) -> dict[str, Any]:
    values = {}
    for pair in filter(None, (part.strip() for part in (row.get("values") or "").split(";"))):
        key, is_there, value = pair.partition("=")
        if not is_there:
            raise StorageError(f"{place}: found values {pair!r}; allowed: key=value; key=value")
        values[key.strip()] = value.strip()
    done = (row.get("done") or "").strip()
    asked: dict[str, Any] = {
        "do": "log-round",
        "round": row["round"],
        "at": f"{done}T12:00Z" if len(done) == _DAY else done,
    }
    asked |= {"values": values} if values else {}
    asked |= {"remark": row["remark"]} if row.get("remark") else {}
    told = "\n".join(str(row.get(key) or "") for key in ("round", "done", "values", "remark"))
    asked["id"] = row.get("id") or f"book-{hashlib.sha256(told.encode()).hexdigest()[:24]}"
    return asked


def calendar(book: Mapping[str, Any], stamp_utc_ns: int) -> str:
    """Due rounds as an iCalendar file (RFC 5545): one whole day each, the rig's; without a calendar interval none.

    Args:
        book: as ``book_shown`` gives it.
        stamp_utc_ns: when it was made.
    """
    stamp = _compact(utc_text(stamp_utc_ns))
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Brakewater//upkeep//EN", "CALSCALE:GREGORIAN"]
    for one in book["rounds"]:
        if one["due"] is None:
            continue
        lines += [
            "BEGIN:VEVENT",
            f"UID:{book['rig']}.{one['round']}.{one['since'][:10]}@brakewater.invalid",
            f"DTSTAMP:{stamp}",
            f"DTSTART;VALUE=DATE:{day_of(one['due'], book['time_zone']).replace('-', '')}",
            _summary(book, one),
            f"DESCRIPTION:{_escaped(one['what'] + ' By hours or trips it may be due earlier.')}",
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    return "".join(f"{folded}\r\n" for line in [*lines, "END:VCALENDAR"] for folded in _folded(line))


def _summary(book: Mapping[str, Any], one: Mapping[str, Any]) -> str:
    return f"SUMMARY:{_escaped(book['rig'] + ': ' + one['round'] + ' due on brake ' + one['brake'])}"


def _compact(utc: str) -> str:
    return f"{utc[:19].replace('-', '').replace(':', '')}Z"


def _escaped(text: str) -> str:
    for plain in ("\\", ";", ","):
        text = text.replace(plain, f"\\{plain}")
    return text.replace("\n", "\\n")


def _folded(line: str) -> Iterator[str]:
    """Lines of at most 75 octets, further ones after a blank; no character is cut in two."""
    part, size = "", 0
    for letter in line:
        octets = len(letter.encode())
        if size + octets > 75:
            yield part
            part, size = " ", 1
        part, size = part + letter, size + octets
    yield part


def sheet(book: Mapping[str, Any], name: str, url: str | None, words: Wording = ENGLISH, language: str = "en") -> str:
    """One round's sheet as a page that prints; with the QR code of its entry form where the panel's address is given.

    Args:
        book: as ``book_shown`` gives it.
        name: of the round.
        url: of the panel's page, or None.
        words: what it is written with.
        language: their ISO 639-1 code.

    Raises:
        StorageError: no such round.
    """
    found = [one for one in book["rounds"] if one["round"] == name]
    if not found:
        raise StorageError(f"no round {name!r}; there is {', '.join(one['round'] for one in book['rounds'])}")
    one = found[0]
    keys = [*one["keys"], "remark"]
    asked = [f"{_asked(key, words)}{_unit(one['kind'], key, book['units'])}" for key in keys]
    rows = "".join(f'<tr><th>{escape(text)}</th><td class="w"></td></tr>' for text in asked)
    what = words.word(f"what-{one['plain']}") if one.get("plain") else one["what"]
    facts = f"{words.word('brake-name', brake=one['brake'])}, {round_told(one, words, book['time_zone'])}"
    title = words.word("sheet-title", round=round_named(name, one["brake"], words), rig=book["rig"])
    sign = "".join(f"<div>{escape(words.word(key))}</div>" for key in ("signature-name", "signature-time", "signature"))
    code = f'<a href="{escape(url)}#{escape(name)}">{_qr(f"{url}#{name}")}</a>' if url else ""
    return (
        f'<!doctype html><html lang="{language}"><head><meta charset="utf-8">'
        f"<title>{escape(title)}</title>"
        f"<style>{_STYLE}</style></head><body><header><div><h1>{escape(title)}</h1>"
        f"<p>{escape(what)}</p><p>{escape(facts)}</p></div>{code}</header><table>{rows}</table>"
        f'<div class="sign">{sign}</div>'
        f"<footer>{escape(words.word('sheet-caution'))}</footer></body></html>"
    )


def round_named(name: str, brake: str, words: Wording) -> str:
    """With several brakes a round's name begins with the brake's."""
    plain = name.removeprefix(f"{brake}-")
    said = words.pages.get(f"round-{plain}", plain)
    return said if plain == name else f"{brake}: {said}"


def _asked(key: str, words: Wording) -> str:
    """What an entry asks for, from its key: ``plug-1-left``, ``coil-2-ohm``, ``ph``."""
    kind, _, rest = key.partition("-")
    number, _, of = rest.partition("-")
    if kind == "plug" and number.isdecimal():
        return words.word("key-plug", n=number, side=words.word(f"side-{of}"))
    if kind == "coil" and number.isdecimal():
        return words.word(f"key-coil-{of}", n=number)
    return words.word("remark") if key == "remark" else words.word(f"key-{key}")


def _unit(kind: str, key: str, system: str) -> str:
    """In which unit the page takes it; where the key does not say it."""
    if kind == GAP and key != "remark":
        return ", 1/1000 in" if system == "us" else ", mm"
    if key == "temperature":
        return ", degF" if system == "us" else ", degC"
    return ""


def round_told(one: Mapping[str, Any], words: Wording, zone: str) -> str:
    """How far a round's interval is used up."""
    done = words.word("never-logged")
    if one["done"]:
        done = words.word("done-at", time=f"{minute_of(one['done'], zone)} {zone}")
    return words.word(
        "round-text",
        state=words.word(f"state-{one['state']}"),
        used=words.word(f"used-{one['by']}", percent=round(100 * one["share"])),
        done=done,
        hours=f"{one['running_s'] / 3600:.1f}",
        trips=one["trips"],
    )


def _qr(text: str) -> str:
    import segno  # noqa: PLC0415 - only where a sheet is printed

    # With a size of its own it would be cut off at the sheet's, not drawn smaller.
    svg: str = segno.make(text, error="m").svg_inline(scale=4, border=4, omitsize=True)
    return svg
