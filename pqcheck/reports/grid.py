"""A table of short texts as plain text: what `tabulate` gives, of which the import takes longer than a report does."""

from __future__ import annotations

from collections.abc import Sequence

_BETWEEN = "  "
_BESIDE_HEADER = 2
"""A column is at least so much wider than its header."""


def grid(rows: Sequence[Sequence[str]], headers: Sequence[str]) -> str:
    """Headers, a line of dashes, rows; everything to the left, nothing behind the last cell of a row."""
    widths = [
        max([len(header) + _BESIDE_HEADER, *(len(row[column]) for row in rows)])
        for column, header in enumerate(headers)
    ]
    lines = [headers, ["-" * width for width in widths], *rows]
    return "\n".join(
        _BETWEEN.join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines
    )
