"""T3: 1008 values of TDD, 4.00 %, of which 50 or 51 are 9.00 %."""

from reference_cases.invented import WEEK, marked, table


def week(bad: int) -> str:
    return table({"current_tdd.a [%]": marked([4.0] * WEEK, dict.fromkeys(range(400, 400 + bad), 9.0))})


FILES = {"k_50.csv": week(50), "k_51.csv": week(51)}
