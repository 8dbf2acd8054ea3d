"""A bakery behind 250 kVA: 320 A on phase a at the peak, 170 and 180 A on the others; the rated current is 360.8 A."""

from reference_cases.invented import WEEK, scatter, table, wave


def amperes(index: int, level: float, seed: int) -> float:
    return level + 25.0 * wave(index) + 2.0 * scatter(index, seed)


FILES = {
    "week.csv": table(
        {
            "current.a [A]": [amperes(index, 294.0, 1) for index in range(WEEK)],
            "current.b [A]": [amperes(index, 144.0, 2) for index in range(WEEK)],
            "current.c [A]": [amperes(index, 154.0, 3) for index in range(WEEK)],
        }
    )
}
