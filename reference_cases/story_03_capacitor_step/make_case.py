"""A capacitor step at 07:30 on five days lifts the 11th voltage harmonic from 1 % to 6.1 % for two and a half hours."""

from reference_cases.invented import WEEK, scatter, steady, table


def week(slots_a_day: int) -> str:
    on = [index for index in range(WEEK) if index // 144 < 5 and 45 <= index % 144 < 45 + slots_a_day]
    switched = set(on)
    columns: dict[str, list[float]] = {}
    for number, phase in enumerate("abc"):
        columns[f"voltage.{phase}n [V]"] = steady(231.0, seed=number)
    for number, phase in enumerate("abc"):
        eleventh = [(6.08 if index in switched else 0.98) + 0.04 * scatter(index, 7 + number) for index in range(WEEK)]
        rest = [2.5 + 0.1 * scatter(index, 17 + number) for index in range(WEEK)]
        columns[f"voltage_harmonic.{phase}n.h11 [% of nominal]"] = eleventh
        columns[f"voltage_harmonic.{phase}n.h11.max [% of nominal]"] = [value + 0.35 for value in eleventh]
        total = [(a * a + b * b) ** 0.5 for a, b in zip(eleventh, rest, strict=True)]
        columns[f"voltage_thd.{phase}n [%]"] = total
        columns[f"voltage_thd.{phase}n.max [%]"] = [value + 0.6 for value in total]
    columns["reactive_power.total [kvar]"] = [
        (110 if index in switched else 410) + 8 * scatter(index, 31) for index in range(WEEK)
    ]
    return table(columns)


FILES = {"75_intervals.csv": week(15), "40_intervals.csv": week(8)}
