"""Both legs of a 120/240 V service step together by 0.75 V, between 118.5 and 123.75 V: a tap changer upstream."""

from reference_cases.invented import WEEK, scatter, table


def level(index: int) -> float:
    # The step the regulator stands on: it follows a slow wave, and holds each step for at least half an hour.
    half_hour = index // 3
    return 118.5 + 0.75 * round(3.5 + 3 * (1 - abs(half_hour % 48 - 24) / 12) + 0.9 * scatter(half_hour, 5))


def load(index: int, seed: int) -> float:
    return 24 + 10 * scatter(index, seed)


steps = [level(index) for index in range(WEEK)]
FILES = {
    "week.csv": table(
        {
            "voltage.an [V]": [volts + 0.1 * scatter(index, 1) for index, volts in enumerate(steps)],
            "voltage.bn [V]": [volts + 0.1 * scatter(index, 2) for index, volts in enumerate(steps)],
            "current.a [A]": [load(index, 3) for index in range(WEEK)],
            "current.b [A]": [load(index, 4) for index in range(WEEK)],
        }
    )
}
