"""Even harmonics: h4 and h8 at 1.6 % of a demand current of 400 A, the odd orders well below their limits."""

from reference_cases.invented import WEEK, scatter, table

LEVELS = {4: 6.4, 5: 9.0, 7: 6.0, 8: 6.4}

FILES = {
    "week.csv": table(
        {
            f"current_harmonic.{phase}.h{order} [A]": [
                level + 0.02 * level * scatter(index, order + 10 * number) for index in range(WEEK)
            ]
            for number, phase in enumerate("abc")
            for order, level in LEVELS.items()
        }
    )
}
