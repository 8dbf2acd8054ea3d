"""V1 and V2: 50 or 51 of 1008 ten-minute values at 206.9 V, the rest at 230.0 V; spread over the week."""

from reference_cases.invented import WEEK, marked, table


def week(bad: int) -> str:
    # 17 shares no factor with 1008: the low values are never neighbours.
    return table(
        {"voltage.an [V]": marked([230.0] * WEEK, {index * 17 % WEEK: 206.9 for index in range(bad)})}, decimals=1
    )


FILES = {"v1.csv": week(50), "v2.csv": week(51)}
