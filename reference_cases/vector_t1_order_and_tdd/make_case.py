"""T1: h5 66 A, h7 20 A, h11 8 A, h13 5 A on a demand current of 900 A; all orders to 50 recorded."""

from reference_cases.invented import WEEK, table

AMPERES = {5: "66", 7: "20", 11: "8", 13: "5"}

FILES = {
    "week.csv": table(
        {f"current_harmonic.a.h{order} [A]": [AMPERES.get(order, "0")] * WEEK for order in range(2, 51)}
        | {"current.a [A]": [str(700 + index % 7) for index in range(WEEK)]}
    )
}
