"""T4: the 28 800 three-second values of a day, 4.00 %, of which 288 or 289 are 9.00 %; made when needed."""

from reference_cases.invented import marked, table

A_DAY = 28_800


def day(bad: int) -> str:
    values = marked([4.0] * A_DAY, {100 * number: 9.0 for number in range(bad - 1)} | {A_DAY - 1: 9.0})
    return table({"current_tdd.a [%]": values}, step_s=3)


FILES = {"k_288.csv": day(288), "k_289.csv": day(289)}
