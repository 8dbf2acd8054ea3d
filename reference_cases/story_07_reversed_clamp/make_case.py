"""A balanced load, the clamp of phase b fitted against the arrow: its power is negative."""

from reference_cases.invented import WEEK, scatter, table


def amperes(index: int, seed: int) -> float:
    busy = 36 <= index % 144 < 120
    return (140.0 if busy else 62.0) + 18.0 * scatter(index // 3, 7) + 4.0 * scatter(index, seed)


volts = {phase: [230.6 + 0.8 * scatter(i, 30 + n) for i in range(WEEK)] for n, phase in enumerate("abc")}
current = {phase: [amperes(i, n) for i in range(WEEK)] for n, phase in enumerate("abc")}
sign = {"a": 1, "b": -1, "c": 1}
power = {
    phase: [sign[phase] * 0.9 * v * a / 1000 for v, a in zip(volts[phase], current[phase], strict=True)]
    for phase in "abc"
}
columns = {f"voltage.{phase}n [V]": volts[phase] for phase in "abc"}
columns |= {f"current.{phase} [A]": current[phase] for phase in "abc"}
columns |= {f"active_power.{phase} [kW]": power[phase] for phase in "abc"}
columns["active_power.total [kW]"] = [sum(row) for row in zip(*power.values(), strict=True)]
FILES = {"week.csv": table(columns, decimals={name: 3 for name in columns if "power" in name})}
