"""51 of 1008 THD values exceed 8 %, by 0.01 % at least; the 52nd largest is 7.97 %."""

from reference_cases.invented import WEEK, scatter, table


def reading(index: int) -> float:
    if index % 19 == 3 and index < 19 * 51:
        # 51 of them, from 8.01 % up.
        return 8.01 + (0.0 if index % 38 == 3 else round(0.08 * (0.5 + scatter(index)), 2))
    return 7.97 if index == 500 else 6.3 + 2.2 * scatter(index, 3)


FILES = {"week.csv": table({"voltage_thd.an [%]": [reading(index) for index in range(WEEK)]})}
