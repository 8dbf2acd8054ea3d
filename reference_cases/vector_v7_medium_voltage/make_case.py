"""V7: a week of 20 kV with 10 or 11 ten-minute values of 17.9 kV between a and b."""

from reference_cases.invented import WEEK, marked, table


def week(bad: int) -> str:
    columns = {
        "voltage.ab [kV]": marked([20.0] * WEEK, {40 * number: 17.9 for number in range(bad)}),
        "voltage.bc [kV]": [20.0] * WEEK,
        "voltage.ca [kV]": [20.0] * WEEK,
    }
    return table(columns, decimals=1)


FILES = {"ten.csv": week(10), "eleven.csv": week(11)}
