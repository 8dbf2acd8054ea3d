"""A workshop on 120 V: 122 V without load, 0.12 V lost per ampere, a furnace of 90 A for 6 % of the week."""

from reference_cases.invented import WEEK, scatter, table


def amperes(index: int) -> float:
    day, slot = divmod(index, 144)
    # Six working days, ten intervals each: 60 of 1008.
    furnace = 87.0 if day < 6 and 60 <= slot < 70 else 0.0
    return furnace + 3.0 + 2.0 * scatter(index, 1)


current = [amperes(index) for index in range(WEEK)]
FILES = {
    "week.csv": table(
        {
            "voltage.an [V]": [122.0 - 0.12 * a + 0.3 * scatter(index, 2) for index, a in enumerate(current)],
            "current.a [A]": current,
        }
    )
}
