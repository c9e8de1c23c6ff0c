"""A loop sheet as people keep it: plain text, CSV, and one page that prints on A4 and Letter."""

import csv
from collections.abc import Iterator
from html import escape
from io import StringIO
from typing import Final

from brakewater.quality import reason_name
from brakewater.review.loop_sheet import Part, Sheet, Step

_PARTS: Final[tuple[Part, ...]] = ("as-found", "as-left")
CAUTION: Final = "Advisory monitor, not a safety instrumented system."
HEAD: Final = (
    "part",
    "way",
    "injected",
    "as said",
    "at, % of span",
    "mean",
    "error",
    "error, % of span",
    "scatter",
    "reason",
    "result",
)
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


def outcome(sheet: Sheet, part: Part) -> str:
    """One line on a part."""
    worst, hysteresis = sheet.worst(part), sheet.hysteresis(part)
    text = f"{part.replace('-', ' ')}: {'passed' if sheet.passes(part) else 'FAILED'}"
    if worst is not None:
        largest = _plain(sheet.shown_difference(worst))
        text += f", largest error {largest:+.4g} {sheet.unit} ({_plain(sheet.share(worst)):+.2%} of span)"
    if hysteresis is not None:
        shown = f"{sheet.shown_difference(hysteresis):.4g} {sheet.unit}"
        text += f", hysteresis {shown} ({sheet.share(hysteresis):.2%})"
    return text


def facts(sheet: Sheet) -> list[tuple[str, str]]:
    """What stands above the table."""
    low, high = sheet.shown(sheet.low), sheet.shown(sheet.high)
    tolerance = (
        f"{sheet.shown_difference(sheet.tolerance):.4g} {sheet.unit} ({sheet.share(sheet.tolerance):.2%} of span)"
    )
    return [
        ("point", f"{sheet.point} on {sheet.rig}"),
        ("read at", sheet.place),
        ("signal", sheet.signal),
        ("range", f"{low:.6g} to {high:.6g} {sheet.unit}"),
        ("tolerance", tolerance),
        ("when", f"{sheet.began[:19].replace('T', ' ')} UTC"),
        ("who", sheet.by),
        ("instrument", sheet.instrument or "not said"),
        ("scans a step", str(sheet.scans)),
        ("adjusted", "yes" if sheet.adjusted else "no: as found is as left"),
        ("definition", sheet.definition),
    ]


def _cells(sheet: Sheet, step: Step) -> tuple[str, ...]:
    error = step.error
    return (
        step.part,
        step.way,
        _number(sheet.shown(step.injected)),
        step.said,
        f"{100 * (step.injected - sheet.low) / (sheet.high - sheet.low):.1f}",
        _number(None if step.mean is None else sheet.shown(step.mean)),
        "--" if error is None else f"{_plain(sheet.shown_difference(error)):+.4g}",
        "--" if error is None else f"{_plain(100 * sheet.share(error)):+.3f}",
        _number(sheet.shown_difference(step.scatter)),
        reason_name(step.worst),
        "pass" if sheet.step_passes(step) else "FAIL",
    )


def _parts(sheet: Sheet) -> Iterator[Part]:
    yield from _PARTS if sheet.adjusted else _PARTS[:1]


def text(sheet: Sheet) -> str:
    """Plain text."""
    wide = max(len(name) for name, _ in facts(sheet))
    rows = [HEAD, *(_cells(sheet, step) for step in sheet.steps)]
    widths = [max(len(row[at]) for row in rows) for at in range(len(HEAD))]
    lines = [f"Loop check: {_verdict(sheet)}", ""]
    lines += [f"{name.ljust(wide)}  {held}" for name, held in facts(sheet)]
    lines += ["", *("  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)) for row in rows), ""]
    return "\n".join([*lines, *(outcome(sheet, part) for part in _parts(sheet))])


def csv_text(sheet: Sheet) -> str:
    """One row a step; what holds for all of them is repeated in every row, so that sheets can be stacked."""
    out = StringIO()
    writer = csv.writer(out)
    named = [(name, held) for name, held in facts(sheet) if name not in ("range", "tolerance", "adjusted")]
    unit = f" [{sheet.unit}]" if sheet.unit else ""
    shown = [name + unit if name in ("injected", "mean", "error", "scatter") else name for name in HEAD]
    writer.writerow([*(name for name, _ in named), f"tolerance{unit}", "loop", *shown])
    for step in sheet.steps:
        loop = "passed" if sheet.passed else "failed"
        tolerance = _number(sheet.shown_difference(sheet.tolerance))
        writer.writerow([*(held for _, held in named), tolerance, loop, *_cells(sheet, step)])
    return out.getvalue()


def html(sheet: Sheet) -> str:
    """One page that needs nothing beside itself."""
    title = f"Loop check {sheet.point}"
    listed = "".join(f"<dt>{escape(name)}</dt><dd>{escape(held)}</dd>" for name, held in facts(sheet))
    unit = f"Injected, mean, error and scatter in {escape(sheet.unit)}." if sheet.unit else ""
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head><body>'
        f'<h1>{escape(title)}</h1><p class="out">{_verdict(sheet)}</p><dl>{listed}</dl>'
        f"{''.join(_table(sheet, part) for part in _parts(sheet))}<p>{unit}</p>"
        '<div class="sign"><div>checked by</div><div>date</div><div>witness</div></div>'
        f"<footer>{CAUTION}</footer></body></html>\n"
    )


def _verdict(sheet: Sheet) -> str:
    """What counts is as left; what was found is said beside it, since the loop ran like that until now."""
    said = "PASSED" if sheet.passed else "FAILED"
    if not sheet.adjusted:
        return said
    return f"{said} as left ({'passed' if sheet.passes('as-found') else 'FAILED'} as found)"


def _table(sheet: Sheet, part: Part) -> str:
    head = "".join(f"<th>{escape(name)}</th>" for name in HEAD[1:])
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells[1:-1]) + f"{_result(cells[-1])}</tr>"
        for cells in (_cells(sheet, step) for step in sheet.steps if step.part == part)
    )
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
    return f'<h2>{escape(outcome(sheet, part))}</h2><div class="wide">{table}</div>'


def _result(cell: str) -> str:
    return f'<td class="{"t" if cell == "pass" else "t bad"}">{cell}</td>'


def _plain(value: float) -> float:
    """Without what the last bits of the arithmetic leave: 0 where it is -1.4e-14."""
    return round(value, 9) + 0.0
