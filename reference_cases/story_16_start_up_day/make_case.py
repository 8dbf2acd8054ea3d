"""8.2 days: the first fourteen hours with commissioning trips, then normal operation."""

from reference_cases.invented import scatter, table

COUNT = 1181
START_UP = 84
"""Fourteen hours."""


def distortion(index: int, seed: int) -> float:
    if index < START_UP:
        return 8.6 + 0.5 * scatter(index, seed)
    # 7.7 % in the busiest intervals of normal operation.
    return 6.9 + 1.7 * scatter(index, seed)


FILES = {
    "record.csv": table(
        {f"current_tdd.{phase} [%]": [distortion(i, 3 + n) for i in range(COUNT)] for n, phase in enumerate("abc")}
    )
}
