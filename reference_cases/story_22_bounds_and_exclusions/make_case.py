"""Voltages with cells that are only a bound, and a week of which hardly anything is in the count."""

from collections.abc import Sequence

from reference_cases.invented import WEEK, scatter, table


def week(level: float, bounds: Sequence[int], cell: str) -> str:
    """A quiet week in which some cells are a bound."""
    values: list[float | str | None] = [round(level + 1.6 * scatter(index, 11), 2) for index in range(WEEK)]
    for index in bounds:
        values[index] = cell
    return table({"voltage.an [V]": values})


FILES = {
    "below_300.csv": week(230.5, range(200, 260), "<300"),
    "above_300.csv": week(230.5, [300], ">300"),
    "quiet.csv": week(120.4, (), ""),
}
