"""The voltage lead of phase c comes off on Tuesday: 277 V become 12 V while 180 A go on flowing."""

from reference_cases.invented import WEEK, scatter, table

OFF = 200
volts = {phase: [277.5 + 1.2 * scatter(i, n) for i in range(WEEK)] for n, phase in enumerate("abc")}
volts["c"] = [volt if index < OFF else 12.0 + 0.8 * scatter(index, 9) for index, volt in enumerate(volts["c"])]
current = {phase: [180.0 + 22.0 * scatter(i, 11 + n) for i in range(WEEK)] for n, phase in enumerate("abc")}
columns = {f"voltage.{phase}n [V]": volts[phase] for phase in "abc"}
columns |= {f"current.{phase} [A]": current[phase] for phase in "abc"}
columns |= {
    f"active_power.{phase} [kW]": [
        0.0 if v < 50 else 0.93 * v * a / 1000 for v, a in zip(volts[phase], current[phase], strict=True)
    ]
    for phase in "abc"
}
FILES = {"week.csv": table(columns)}
