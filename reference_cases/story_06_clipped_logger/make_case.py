"""A current clamp of 1000 A on a load that exceeds it: 212 rows stop at 1000.0 A or say OL."""

from reference_cases.invented import WEEK, scatter, table


def load(index: int, seed: int) -> float:
    busy = index // 144 < 5 and 42 <= index % 144 < 108
    return (890.0 + 160.0 * scatter(index // 2, 8) if busy else 310.0) + 30.0 * scatter(index, seed)


def cell(amperes: float, index: int) -> float | str:
    if amperes <= 1000:
        return amperes
    return "OL" if index % 9 == 0 else 1000.0


FILES = {
    "week.csv": table(
        {f"current.{phase} [A]": [cell(1.13 * load(i, n), i) for i in range(WEEK)] for n, phase in enumerate("abc")}
        | {
            f"current_thd.{phase} [%]": [11.0 + scatter(i, 20 + n) for i in range(WEEK)]
            for n, phase in enumerate("abc")
        }
        | {f"voltage.{phase}n [V]": [231.0 + scatter(i, 30 + n) for i in range(WEEK)] for n, phase in enumerate("abc")},
        decimals=1,
    )
}
