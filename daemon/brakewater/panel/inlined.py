"""The charts' code as one text that can stand inside a page: no import, no file beside it."""

from pathlib import Path
from typing import Final

from brakewater.review.trip_page import ChartCode

STATIC: Final = Path(__file__).parent / "static"
_EXPORT: Final = "export { uPlot as default };"
_IMPORT: Final = 'import { reach, setpoints } from "./setpoints.js";'


def chart_code() -> ChartCode | None:
    """None where the chart library was not fetched."""
    vendor = STATIC / "vendor"
    try:
        library = (vendor / "uPlot.esm.js").read_text(encoding="utf-8")
        style = (vendor / "uPlot.min.css").read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    lines, report = ((STATIC / name).read_text(encoding="utf-8") for name in ("setpoints.js", "report.js"))
    script = f"{lines.replace('export function', 'function')}\n{report.replace(_IMPORT, '')}"
    return ChartCode(script=f"{library.replace(_EXPORT, '')}\n{script}".replace("</", "<\\/"), style=style)
