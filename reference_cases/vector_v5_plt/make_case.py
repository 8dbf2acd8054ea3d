"""V5: 84 Plt values of a week, 4 or 5 of them 1.2, the others 0.6."""

from reference_cases.invented import marked, table


def week(bad: int) -> str:
    values = marked([0.6] * 84, {20 * number: 1.2 for number in range(bad)})
    return table({"flicker_plt.an": values}, step_s=7200, decimals=1)


FILES = {"four.csv": week(4), "five.csv": week(5)}
