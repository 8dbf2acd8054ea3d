"""A week in 15 min rows with minima and maxima: real ones, and ones that an export filled with the mean."""

from reference_cases.invented import scatter, steady, table

QUARTERS = 672


def quarters(copies: bool) -> str:
    mean = [round(value, 2) for value in steady(231.0, swing=2.0, noise=1.4, seed=4)[:QUARTERS]]
    low, high = (
        mean if copies else [value + sign * (1.2 + scatter(slot, 5)) for slot, value in enumerate(mean)]
        for sign in (-1, 1)
    )
    columns: dict[str, list[float | str | None]] = {
        "voltage.an [V]": [*mean], "voltage.an.min [V]": [*low], "voltage.an.max [V]": [*high],
    }
    return table(columns, step_s=900)


FILES = {"extremes.csv": quarters(copies=False), "copies.csv": quarters(copies=True)}
