"""V9: 30 values outside with 20 or 21 missing, and 51 outside with none missing."""

from reference_cases.invented import WEEK, marked, steady, table


def week(outside: int, missing: int) -> str:
    values = marked(steady(230.0), {200 + 3 * number: 205.5 for number in range(outside)})
    gone = {700 + 2 * number: None for number in range(missing)}
    return table({"voltage.an [V]": [gone.get(index, value) for index, value in enumerate(values)]})


FILES = {"a_30_and_20.csv": week(30, 20), "b_30_and_21.csv": week(30, 21), "c_51_and_0.csv": week(51, 0)}
assert WEEK == 1008
