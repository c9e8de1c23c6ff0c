"""A loop sheet as people keep it: plain text, CSV, and one page that prints on A4 and Letter."""

import csv
from collections.abc import Iterator
from html import escape
from io import StringIO
from typing import Final

from brakewater.quality import reason_name
from brakewater.review.loop_sheet import COVERS, Part, Sheet, Step, settled
from brakewater.wording import ENGLISH, Wording

_PARTS: Final[tuple[Part, ...]] = ("as-found", "as-left")
HEAD: Final = ("part", "way", "injected", "said", "at", "mean", "error", "share", "scatter", "reason", "result")
"""Columns, by the names of their words."""
_STYLE: Final = """
@page { margin: 15mm }
body { font: 11pt/1.4 system-ui, sans-serif; color: #111; background: #fff; max-width: 180mm;
  margin: 2em auto; padding: 0 1em }
h1 { font-size: 16pt; margin: 0 0 .3em } h2 { font-size: 12pt; margin: 1.4em 0 .3em }
.wide { overflow-x: auto }
table { border-collapse: collapse; width: 100%; font-size: 9.5pt; page-break-inside: avoid }
th, td { border: 1px solid #777; padding: .2em .4em; text-align: right; white-space: nowrap }
th { background: #eee; white-space: normal } td.t, th.t { text-align: left }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1em 1em; margin: .5em 0 }
dt { font-weight: 600 } dd { margin: 0 }
.out { font-size: 14pt; font-weight: 700; border: 2px solid #111; padding: .3em .6em; display: inline-block }
.bad { font-weight: 700 } .bad::before { content: "\\2717\\00a0" }
.sign { display: flex; gap: 2em; margin-top: 3em } .sign div { flex: 1; border-top: 1px solid #111; padding-top: .2em }
footer { margin-top: 2em; font-size: 9pt; color: #444 }
@media print { body { margin: 0; padding: 0; font-size: 10pt } .wide { overflow: visible } .sign { margin-top: 2em } }
"""


def _number(value: float | None) -> str:
    return "--" if value is None else f"{value:.5g}"


def outcome(sheet: Sheet, part: Part, words: Wording = ENGLISH) -> str:
    """One line on a part."""
    worst, hysteresis = sheet.worst(part), sheet.hysteresis(part)
    verdict = words.word("loop-passed-so" if sheet.passes(part) else "loop-failed")
    text = words.word("loop-outcome", part=words.word(f"loop-{part}"), verdict=verdict)
    if worst is not None:
        error, share = f"{_plain(sheet.shown_difference(worst)):+.4g}", f"{_plain(sheet.share(worst)):+.2%}"
        text += words.word("loop-largest", error=error, unit=sheet.unit, share=share)
    if hysteresis is not None:
        much, share = f"{sheet.shown_difference(hysteresis):.4g}", f"{sheet.share(hysteresis):.2%}"
        text += words.word("loop-hysteresis", much=much, unit=sheet.unit, share=share)
    return text


def facts(sheet: Sheet, words: Wording = ENGLISH) -> dict[str, str]:
    """What stands above the table, by the names of its words."""
    low, high = sheet.shown(sheet.low), sheet.shown(sheet.high)
    much, share = f"{sheet.shown_difference(sheet.tolerance):.4g}", f"{sheet.share(sheet.tolerance):.2%}"
    return {
        "point": words.word("loop-point-on", point=sheet.point, rig=sheet.rig),
        "place": sheet.place,
        "signal": sheet.signal,
        "range": words.word("loop-range-of", low=f"{low:.6g}", high=f"{high:.6g}", unit=sheet.unit),
        "tolerance": words.word("loop-tolerance-of", much=much, unit=sheet.unit, share=share),
        "when": f"{sheet.began[:19].replace('T', ' ')} UTC",
        "who": sheet.by,
        "instrument": sheet.instrument or words.word("loop-not-said"),
        "scans": str(sheet.scans),
        "adjusted": words.word("loop-yes" if sheet.adjusted else "loop-no"),
        "definition": sheet.definition,
    }


def _cells(sheet: Sheet, step: Step, words: Wording = ENGLISH) -> tuple[str, ...]:
    error = step.error
    return (
        words.word(f"loop-{step.part}"),
        words.word(f"loop-{step.way}"),
        _number(sheet.shown(step.injected)),
        step.said,
        f"{100 * (step.injected - sheet.low) / (sheet.high - sheet.low):.1f}",
        _number(None if step.mean is None else sheet.shown(step.mean)),
        "--" if error is None else f"{_plain(sheet.shown_difference(error)):+.4g}",
        "--" if error is None else f"{_plain(100 * sheet.share(error)):+.3f}",
        _number(sheet.shown_difference(step.scatter)),
        reason_name(step.worst) if words is ENGLISH else words.reason(reason_name(step.worst)),
        _said(sheet, step, words),
    )


def _parts(sheet: Sheet) -> Iterator[Part]:
    yield from _PARTS if sheet.adjusted else _PARTS[:1]


def _heads(words: Wording) -> list[str]:
    return [words.word(f"loop-head-{name}") for name in HEAD]


def text(sheet: Sheet, words: Wording = ENGLISH) -> str:
    """Plain text."""
    told = {words.word(f"loop-{name}"): held for name, held in facts(sheet, words).items()}
    wide = max(map(len, told))
    rows = [_heads(words), *(_cells(sheet, step, words) for step in sheet.steps)]
    widths = [max(len(row[at]) for row in rows) for at in range(len(HEAD))]
    lines = [f"{words.word('loop-title', point='').strip()}: {_verdict(sheet, words)}", ""]
    lines += [f"{name.ljust(wide)}  {held}" for name, held in told.items()]
    lines += ["", *("  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)) for row in rows), ""]
    return "\n".join([*lines, *(outcome(sheet, part, words) for part in _parts(sheet))])


def csv_text(sheet: Sheet) -> str:
    """One row a step; what holds for all of them is repeated in every row, so that sheets can be stacked.

    For machines: always in English, parts as they are coded.
    """
    out = StringIO()
    writer = csv.writer(out)
    named = [
        (ENGLISH.word(f"loop-{name}"), held)
        for name, held in facts(sheet).items()
        if name not in ("range", "tolerance", "adjusted")
    ]
    unit = f" [{sheet.unit}]" if sheet.unit else ""
    shown = [name + unit if name in ("injected", "mean", "error", "scatter") else name for name in _heads(ENGLISH)]
    writer.writerow([*(name for name, _ in named), f"tolerance{unit}", "loop", *shown])
    for step in sheet.steps:
        loop = "passed" if sheet.proves else "passed in part" if sheet.passed else "failed"
        tolerance = _number(sheet.shown_difference(sheet.tolerance))
        writer.writerow([*(held for _, held in named), tolerance, loop, step.part, *_cells(sheet, step)[1:]])
    return out.getvalue()


def html(sheet: Sheet, words: Wording = ENGLISH, language: str = "en") -> str:
    """One page that needs nothing beside itself."""
    title = words.word("loop-title", point=sheet.point)
    listed = "".join(
        f"<dt>{escape(words.word(f'loop-{name}'))}</dt><dd>{escape(held)}</dd>"
        for name, held in facts(sheet, words).items()
    )
    unit = words.word("loop-units", unit=sheet.unit) if sheet.unit else ""
    sign = "".join(f"<div>{escape(words.word(name))}</div>" for name in ("loop-by", "loop-date", "loop-witness"))
    return (
        f'<!doctype html><html lang="{language}"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body>'
        f'<h1>{escape(title)}</h1><p class="out">{escape(_verdict(sheet, words))}</p><dl>{listed}</dl>'
        f"{''.join(_table(sheet, part, words) for part in _parts(sheet))}<p>{escape(unit)}</p>"
        f'<div class="sign">{sign}</div>'
        f"<footer>{escape(words.word('caution-1'))}</footer></body></html>\n"
    )


def _verdict(sheet: Sheet, words: Wording) -> str:
    """What counts is as left; what was found is said beside it, since the loop ran like that until now."""
    said = words.word("loop-passed" if sheet.passed else "loop-failed")
    if sheet.passed and not sheet.proves:
        said = _too_little(sheet, words)
    if not sheet.adjusted:
        return said
    found = words.word("loop-passed-so" if sheet.passes("as-found") else "loop-failed")
    return words.word("loop-verdict", left=said, found=found)


def _too_little(sheet: Sheet, words: Wording) -> str:
    shares = {"share": f"{sheet.covered('as-left'):.0%}", "least": f"{COVERS:.0%}"}
    if sheet.reached <= abs(sheet.high - sheet.low):
        return words.word("loop-too-little", **shares)
    reached = f"{sheet.shown_difference(sheet.reached):.4g} {sheet.unit}"
    return words.word("loop-too-narrow", reached=reached, **shares)


def _table(sheet: Sheet, part: Part, words: Wording) -> str:
    head = "".join(f"<th>{escape(name)}</th>" for name in _heads(words)[1:])
    rows = "".join(
        "<tr>"
        + "".join(f"<td>{escape(cell)}</td>" for cell in _cells(sheet, step, words)[1:-1])
        + f"{_result(sheet, step, words)}</tr>"
        for step in sheet.steps
        if step.part == part
    )
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
    return f'<h2>{escape(outcome(sheet, part, words))}</h2><div class="wide">{table}</div>'


def _result(sheet: Sheet, step: Step, words: Wording) -> str:
    passes = sheet.step_passes(step)
    return f'<td class="{"t" if passes else "t bad"}">{escape(_said(sheet, step, words))}</td>'


def _said(sheet: Sheet, step: Step, words: Wording) -> str:
    if sheet.step_passes(step):
        return words.word("loop-pass")
    moves = sheet.asks_settled and not settled(step, sheet.tolerance)
    return words.word("loop-moves" if moves else "loop-fail")


def _plain(value: float) -> float:
    """Without what the last bits of the arithmetic leave: 0 where it is -1.4e-14."""
    return round(value, 9) + 0.0
