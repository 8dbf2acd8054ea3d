"""Our grid against the general library."""

from __future__ import annotations

import pytest
from tabulate import tabulate

from pqcheck.reports.grid import grid


@pytest.mark.parametrize(
    "rows",
    [
        [["a", "voltage.an", "1.5"], ["a longer one", "", "-"]],
        [["x", "y", ""]],
        [["", "", ""], ["", "0012", "1e3"]],
        [["≤ 8 %", "Ω", "12 kV"]] * 3,
        [],
    ],
)
@pytest.mark.parametrize("headers", [("rule", "channel", "reading"), ("a", "b", "c"), ("period from", "at", "mark")])
def test_the_same_as_tabulate(rows: list[list[str]], headers: tuple[str, ...]) -> None:
    assert grid(rows, headers) == tabulate(rows, headers, tablefmt="simple", disable_numparse=True)
