"""Five days (720 of 1008 ten-minute values) of a 230 V service, with 61, 40, 0 or 1 value out of the band."""

from reference_cases.invented import marked, scatter, steady, table

DAYS = 720


def days(bad: int, value: float) -> str:
    # Evenings of every day, as long as there are bad values to place.
    evening = [day * 144 + 108 + slot for slot in range(18) for day in range(5)]
    volts = steady(231.0, DAYS, swing=2.0, noise=1.6)
    return table({"voltage.an [V]": marked(volts, {index: value + 0.4 * scatter(index, 9) for index in evening[:bad]})})


FILES = {
    "a_61_outside.csv": days(61, 205.3),
    "b_40_outside.csv": days(40, 205.3),
    "c_none_outside.csv": days(0, 0.0),
    "d_one_below.csv": days(1, 194.5),
}
