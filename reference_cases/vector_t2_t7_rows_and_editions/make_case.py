"""T2 and T7: h2 of 1.5 % and h8 of 3.0 % of a demand current of 100 A; the short-circuit current decides the row."""

from reference_cases.invented import WEEK, table

FILES = {
    "week.csv": table(
        {
            "current_harmonic.a.h2 [A]": ["1.5"] * WEEK,
            "current_harmonic.a.h8 [A]": ["3.0"] * WEEK,
            "current_tdd.a [%]": ["4.9"] * WEEK,
        }
    )
}
