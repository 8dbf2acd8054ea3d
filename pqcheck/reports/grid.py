"""A table of short texts as plain text, one look for all commands."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any


def grid(rows: Iterable[Sequence[Any]], headers: Sequence[str]) -> str:
    """Headers, a line of dashes, rows; everything to the left, numbers as they are written."""
    from tabulate import tabulate

    return tabulate(list(rows), headers=list(headers), tablefmt="simple", disable_numparse=True)
