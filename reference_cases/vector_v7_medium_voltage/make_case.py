"""V7: a week of 20 kV with 10 or 11 ten-minute values of 17.9 kV between a and b."""

from reference_cases.invented import WEEK, marked, table


def moving(every: int) -> list[float]:
    """A channel that never moves at all would not be judged."""
    return [20.0 + 0.2 * (index % every == 0) for index in range(WEEK)]


def week(bad: int) -> str:
    columns = {
        "voltage.ab [kV]": marked([20.0] * WEEK, {40 * number: 17.9 for number in range(bad)}),
        "voltage.bc [kV]": moving(2),
        "voltage.ca [kV]": moving(3),
    }
    return table(columns, decimals=1)


FILES = {"ten.csv": week(10), "eleven.csv": week(11)}
