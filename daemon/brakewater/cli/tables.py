"""Plain tables for a terminal."""

from collections.abc import Sequence


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns as wide as their widest cell, a rule under the head."""
    widths = [max(len(row[at]) for row in (head, *rows)) for at in range(len(head))]
    lines = [head, ["-" * width for width in widths], *rows]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in lines
    )
