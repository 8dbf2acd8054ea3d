"""Weeks in which something was not measured: a phase that never moves, an outage with a blank cell, another ratio."""

from reference_cases.invented import WEEK, marked, scatter, steady, table

PHASES = ("an", "bn", "cn")


def week() -> dict[str, list[float | str | None]]:
    return {f"voltage.{phase} [V]": [*steady(231.0, swing=2.0, noise=1.4, seed=seed)]
            for seed, phase in enumerate(PHASES)}


def still() -> str:
    columns = week()
    columns["voltage.bn [V]"] = [230.0] * WEEK
    return table(columns)


def outage() -> str:
    columns = week()
    for seed, name in enumerate(columns):
        values = marked(steady(231.0, swing=2.0, noise=1.4, seed=seed),
                        {slot: 0.6 + 0.2 * scatter(slot, seed) for slot in range(300, 306)})
        columns[name] = [None if seed == 1 and 300 <= slot < 306 else value for slot, value in enumerate(values)]
    return table(columns)


def twice() -> str:
    columns = week()
    values = steady(231.0, swing=2.0, noise=1.4, seed=2)
    columns["voltage.cn [V]"] = [*marked(values, {slot: 2 * values[slot] for slot in range(432, 720)})]
    return table(columns)


FILES = {
    "still.csv": still(),
    "outage.csv": outage(),
    "twice.csv": twice(),
    "left_alone.csv": table(week()).replace("voltage.cn [V]", "X L3-N", 1),
}
