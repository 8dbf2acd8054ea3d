"""Thirteen ten-minute values are lost: the supply was out (three readings near zero show it), or the recorder was."""

from reference_cases.invented import marked, scatter, steady, table

START = 2 * 144 + 87
"""Wednesday 14:30."""
LOW = [day * 144 + slot for day in (0, 1, 3, 4) for slot in range(108, 118)]
"""Evenings in which the voltage may be low."""


def week(low: int, collapsed: bool) -> str:
    # So many low evenings that the thirteen unknown intervals matter, or do not.
    values = marked(
        steady(231.0, swing=2.0, noise=1.4), {index: 205.2 + 1.6 * scatter(index, 9) for index in LOW[:low]}
    )
    seen = 3 if collapsed else 0
    values = marked(values, dict(zip(range(START, START + seen), (1.7, 0.9, 1.1), strict=False)))
    return table({"voltage.an [V]": values}, left_out=range(START + seen, START + 13))


FILES = {"outage.csv": week(30, True), "hole_37.csv": week(37, False), "hole_40.csv": week(40, False)}
