"""A kettle pulls one leg of 120/240 V down and the other up: ten minutes of one-second values, and a week."""

from reference_cases.invented import WEEK, scatter, table


def legs(kettle: float, index: int) -> tuple[float, float]:
    # The sum stays 240 V; the difference follows the difference of the two loads.
    shift = 10.9 * kettle + 0.25 * scatter(index, 1)
    both = 119.9 + 0.2 * scatter(index, 2)
    return both + shift, both - shift - 0.1


def record(on: list[float], step_s: int) -> str:
    legs_of = [legs(kettle, index) for index, kettle in enumerate(on)]
    return table(
        {
            "voltage.an [V]": [a for a, _ in legs_of],
            "voltage.bn [V]": [b for _, b in legs_of],
            "voltage.ab [V]": [a + b for a, b in legs_of],
            "current.a [A]": [4.1 + 0.4 * scatter(index, 5) for index in range(len(on))],
            "current.b [A]": [3.6 + 13.0 * kettle + 0.4 * scatter(index, 6) for index, kettle in enumerate(on)],
        },
        step_s=step_s,
    )


# A kettle of varying fill, four minutes in ten; in the week the kettle runs in 3 % of the intervals.
minutes = [0.95 + 0.1 * scatter(index // 20, 4) if 200 <= index < 440 else 0.0 for index in range(600)]
week = [0.95 + 0.1 * scatter(index, 4) if index % 144 in (42, 76, 110, 121) else 0.0 for index in range(WEEK)]
FILES = {"ten_minutes.csv": record(minutes, 1), "week.csv": record(week, 600)}
