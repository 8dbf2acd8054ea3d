"""A 208Y/120 V service, recorded to neutral and between lines, in a report that declares 240 V."""

from reference_cases.invented import WEEK, scatter, steady, table

columns = {
    f"voltage.{phase}n [V]": steady(119.85, swing=0.9, noise=0.5, seed=number) for number, phase in enumerate("abc")
}
for number, (one, other) in enumerate(("ab", "bc", "ca")):
    sums = [columns[f"voltage.{one}n [V]"][index] + columns[f"voltage.{other}n [V]"][index] for index in range(WEEK)]
    columns[f"voltage.{one}{other} [V]"] = [
        total * 0.866025 + 0.04 * scatter(index, 20 + number) for index, total in enumerate(sums)
    ]
FILES = {"week.csv": table(columns)}
