"""V7: a week of 20 kV with 10 or 11 ten-minute values of 17.9 kV between a and b."""

from reference_cases.invented import WEEK, marked, table

MOVING = [20.0 + 0.2 * (index % 2) for index in range(WEEK)]
"""A channel that never moves at all would not be judged."""


def week(bad: int) -> str:
    columns = {
        "voltage.ab [kV]": marked([20.0] * WEEK, {40 * number: 17.9 for number in range(bad)}),
        "voltage.bc [kV]": MOVING,
        "voltage.ca [kV]": MOVING,
    }
    return table(columns, decimals=1)


FILES = {"ten.csv": week(10), "eleven.csv": week(11)}
