"""A recorder set from ten minutes to one minute between two weeks; two recorders side by side; a demand distortion."""

from datetime import timedelta

from reference_cases.invented import MONDAY, WEEK, scatter, table

SECOND_MONDAY = MONDAY + timedelta(days=7)


def thd(level: float, count: int, step_s: int, *, second: bool = False) -> str:
    columns = {
        "voltage.an [V]": [230.5 + 0.8 * scatter(index, 7) for index in range(count)],
        "voltage_thd.an [%]": [level + 0.4 * scatter(index, 3) for index in range(count)],
    }
    return table(columns, start=SECOND_MONDAY if second else MONDAY, step_s=step_s)


def week_of_orders(tdd: float) -> str:
    """Ten-minute orders in amperes with a total of 36 A, beside a recorded demand distortion."""
    parts = {5: 28.0, 7: 18.0, 11: 10.0, 13: 8.0, 17: 4.0}
    columns = {"current_tdd.a [%]": [tdd + 0.2 * scatter(index, 1) for index in range(WEEK)]}
    for order in range(2, 51):
        level = parts.get(order, 0.2)
        columns[f"current_harmonic.a.h{order} [A]"] = [
            level * (1 + 0.02 * scatter(index, order)) for index in range(WEEK)
        ]
    return table(columns, decimals=1)


FIRST_WEEK, FAST_WEEK = thd(2.0, WEEK, 600), thd(9.0, 10 * WEEK, 60, second=True)

FILES = {
    "first_week.csv": FIRST_WEEK,
    "second_week.csv": FAST_WEEK,
    "both_weeks.csv": FIRST_WEEK + FAST_WEEK.split("\n", 1)[1],
    "other_recorder.csv": thd(9.0, 10 * WEEK, 60),
    "demand.csv": week_of_orders(3.0),
}
