"""Fifteen-minute values of voltage THD, alone, with maximum columns, and with minimum columns that exceed the limit."""

from reference_cases.invented import scatter, table

QUARTERS = 672
PHASES = ("an", "bn", "cn")


def mean(index: int, seed: int) -> float:
    return 3.6 + 0.98 * scatter(index, seed)


def week(low: bool = False, high: bool = False, bad: int = 0) -> str:
    columns: dict[str, list[float]] = {}
    for seed, phase in enumerate(PHASES):
        columns[f"voltage.{phase} [V]"] = [230.5 + 0.8 * scatter(index, 10 + seed) for index in range(QUARTERS)]
    for seed, phase in enumerate(PHASES):
        exceeded = set(range(200, 200 + bad)) if phase == "an" else set()
        values = [8.9 + 0.3 * scatter(i, seed) if i in exceeded else mean(i, seed) for i in range(QUARTERS)]
        columns[f"voltage_thd.{phase} [%]"] = values
        if low:
            columns[f"voltage_thd.{phase}.min [%]"] = [value - 0.4 for value in values]
        if high:
            columns[f"voltage_thd.{phase}.max [%]"] = [value * 1.8 for value in values]
    return table(columns, step_s=900)


FILES = {"means.csv": week(), "with_maxima.csv": week(high=True), "with_minima.csv": week(low=True, bad=40)}
